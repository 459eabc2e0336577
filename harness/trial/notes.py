"""A trial's notes on one fault: when it set in, when it was gone, what was asked for it. Layer: trial, pure.

Law: what is done for a fault is undone once, whatever happens, and never before it was done.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from harness.core.entries import Answer, Evidence
from harness.core.faults import BENCH, Applied, Doing, Expectation
from harness.core.model import Action, Ask, Plan, Plug, PowerCut
from harness.core.timing import to_ns

BENCH_ANSWER_S = 90.0
"""For a stand-in to do, or undo, what it is told. A timeout: it protects us."""
PLUG_WITNESS = "internet"
"""Who is asked the time after a cable was moved: in every lab. A cable says nothing itself; who is asked after it was
moved answers after that."""
ROUTER = "router"
State = Literal["waiting", "setting_in", "lasting", "mending", "over", "never"]


@dataclass(slots=True)
class Notes:
    applied: Applied
    place: int
    doings: tuple[Doing, ...]
    expectation: Expectation
    lasts_s: float | None
    state: State = "waiting"
    begun_ns: int | None = None
    """When the bench began to bring it about: nothing that happened before shows it."""
    onset_ns: int | None = None
    gone_ns: int | None = None
    labels: list[str] = field(default_factory=list)
    asked_ns: int = 0

    @property
    def is_brief(self) -> bool:
        """Say whether the cause ends by itself after a while, without being looked at."""
        return self.lasts_s is not None and self.expectation.serves is None

    @property
    def cuts_power(self) -> bool:
        return any(isinstance(a, PowerCut) for doing in self.doings for a in doing.on)

    @property
    def needs_power(self) -> bool:
        """Say whether it asks something of the router, or takes the power from it: neither can be done in the dark."""
        asks = any(isinstance(a, Ask) and a.node == ROUTER for doing in self.doings for a in (*doing.on, *doing.off))
        return asks or self.cuts_power

    def set_in(self, now_ns: int) -> tuple[Action, ...]:
        """Return what starts the trouble."""
        assert self.state == "waiting"
        self.state, self.asked_ns, self.begun_ns = "setting_in", now_ns, now_ns
        return self._label("on", [a for doing in self.doings for a in doing.on])

    def mend(self, now_ns: int) -> tuple[Action, ...]:
        """Return what ends the trouble. Of one that never began: nothing."""
        if self.state not in ("setting_in", "lasting"):
            return ()
        self.state, self.asked_ns = "mending", now_ns
        return self._label("off", [a for doing in reversed(self.doings) for a in doing.off])

    def settle_in(self, evidence: Evidence, now_ns: int) -> str | None:
        """Take note of the answers to what starts it. Returns why the bench could not, or None."""
        answers = self._find_answers(evidence)
        if answers is None:
            return None
        self.state, self.onset_ns = "lasting", max((a.seen.at_ns for a in answers), default=now_ns)
        return self._find_failure(answers)

    def settle_out(self, evidence: Evidence, now_ns: int) -> str | None:
        """Take note of the answers to what ends it. Returns why the bench could not, or None."""
        answers = self._find_answers(evidence)
        if answers is None:
            return None
        self.state, self.gone_ns = "over", max((a.seen.at_ns for a in answers), default=now_ns)
        return self._find_failure(answers)

    def is_over(self, now_ns: int) -> bool:
        """Say whether it has lasted as long as it is to last."""
        return self.lasts_s is None or now_ns >= (self.onset_ns or 0) + to_ns(self.lasts_s)

    def is_late(self, now_ns: int, answer_s: float) -> bool:
        """Say whether what was asked for it was not answered in time."""
        return self.state in ("setting_in", "mending") and now_ns >= self.asked_ns + to_ns(answer_s)

    def give_up(self, now_ns: int) -> None:
        """Wait for no answer any more: what was begun is still to be undone."""
        self.state = "lasting" if self.state == "setting_in" else "over"
        self.onset_ns, self.gone_ns = self.onset_ns or now_ns, now_ns if self.state == "over" else None

    def wake_ns(self, answer_s: float) -> int | None:
        """Return when something is due for it, or None."""
        if self.state in ("setting_in", "mending"):
            return self.asked_ns + to_ns(answer_s)
        if self.state == "lasting" and self.lasts_s is not None:
            return (self.onset_ns or 0) + to_ns(self.lasts_s)
        return None

    def _find_failure(self, answers: list[Answer]) -> str | None:
        """No lease to be had is the branch's doing; all else that was asked is the bench's to do."""
        failed = next((a for a in answers if not (a.ok or (a.is_silence and a.seen.data.get("verb") == "lease"))), None)
        return None if failed is None else f"{self.applied.text}: {failed.seen.observation.source}: {failed.error}"

    def _label(self, word: str, actions: list[Action]) -> tuple[Action, ...]:
        labelled: list[Action] = []
        self.labels = []
        for number, action in enumerate(actions):
            ask = Ask(PLUG_WITNESS, "clock", {}, BENCH) if isinstance(action, Plug) else action
            if ask is not action:
                labelled.append(action)
            if isinstance(ask, Ask):
                self.labels.append(f"{BENCH}{word}.{self.place}.{number}")
                ask = replace(ask, label=self.labels[-1])
            labelled.append(ask)
        return tuple(labelled)

    def _find_answers(self, evidence: Evidence) -> list[Answer] | None:
        """Return the answers to what was asked last, or None while one is missing."""
        answers = [evidence.find_answer(label) for label in self.labels]
        found = [a for a in answers if a is not None]
        return found if len(found) == len(answers) else None


def take_notes(plan: Plan, applied: Applied, place: int) -> Notes:
    """Return the notes on a fault that is still to come."""
    fault, values = applied.fault, applied.values
    return Notes(applied, place, fault.doings(plan, values), fault.expects(plan, values), fault.lasts_s(plan, values))
