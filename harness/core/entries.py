"""What a stage and a check are made of, and how evidence is asked. Layer: core, pure.

A stage or check is one frozen entry of plain functions over (plan, evidence); no base classes. `actions` says what
should have been done by now, given what is known: the machine does each action once (an `Ask` goes by its label), so an
ask that needs an earlier answer is simply named once that answer is there.

Evidence is numbered in the order in which the machine got it; judges read it in the order in which it happened.
Not here: when anything is called (machine.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from harness.core.model import Action, Ask, Finding, Observation, Outcome, Plan

ANSWERED = "command.done"
LEFT_OUT = "left out on request"
"""What is seen of a check that whoever ran it did not want."""

_SILENCES = (("TimeoutError", ""), ("LeaseError", "no DHCP lease within"))
"""The errors of probes (class, words) that say: tried, and nothing came back. All others are a broken probe."""


@dataclass(frozen=True, slots=True)
class Seen:
    """An observation with its number."""

    index: int
    observation: Observation

    @property
    def at_ns(self) -> int:
        return self.observation.at_ns

    @property
    def data(self) -> Mapping[str, Any]:
        return self.observation.data


@dataclass(frozen=True, slots=True)
class Answer:
    """A node's answer to an `Ask`. `ok` false: the probe did not do its work (`error` says why)."""

    seen: Seen
    ok: bool
    result: Any
    error: str

    @property
    def is_silence(self) -> bool:
        """Say whether the probe worked but the subject did not answer it in time: that is the subject's failure."""
        return not self.ok and any(
            self.error.startswith(f"{name}:") and words in self.error for name, words in _SILENCES
        )

    def get(self, key: str) -> Any:
        """Return a field of the result, or None where there is none."""
        return self.result.get(key) if isinstance(self.result, Mapping) else None


class Evidence:
    """What was seen so far. Grows only through `add`; every other method leaves it as it is."""

    def __init__(self, seen: Iterable[Seen] = ()) -> None:
        self._seen: list[Seen] = []
        self._by_kind: dict[tuple[str, str], list[Seen]] = {}
        self._answers: dict[str, Seen] = {}
        for item in seen:
            self.add(item)

    def __len__(self) -> int:
        return len(self._seen)

    def __iter__(self) -> Iterator[Seen]:
        return iter(self._seen)

    def add(self, seen: Seen) -> None:
        """Append one observation."""
        self._seen.append(seen)
        observation = seen.observation
        self._by_kind.setdefault((observation.source, observation.kind), []).append(seen)
        if observation.kind == ANSWERED and observation.data.get("label") is not None:
            self._answers.setdefault(str(observation.data["label"]), seen)

    def find_all(self, source: str, kind: str, /, **fields: Any) -> tuple[Seen, ...]:
        """Return all of a kind from a source whose data has the given fields."""
        found = self._by_kind.get((source, kind), ())
        return tuple(s for s in found if all(s.data.get(k) == v for k, v in fields.items()))

    def find_first(self, source: str, kind: str, /, **fields: Any) -> Seen | None:
        """Return the first such observation, or None."""
        return next(iter(self.find_all(source, kind, **fields)), None)

    def find_last(self, source: str, kind: str, /, **fields: Any) -> Seen | None:
        """Return the last such observation, or None."""
        found = self.find_all(source, kind, **fields)
        return found[-1] if found else None

    def find_answer(self, label: str) -> Answer | None:
        """Return the answer to the ask of that label, or None."""
        seen = self._answers.get(label)
        if seen is None:
            return None
        data = seen.data
        return Answer(seen, data.get("ok") is True, data.get("result"), str(data.get("error") or ""))

    def as_happened(self, until_ns: int) -> Evidence:
        """Return what had happened by an instant, in the order in which it happened, whatever the order of arrival."""
        happened = (s for s in self._seen if s.at_ns <= until_ns)
        return Evidence(sorted(happened, key=_order))


def _order(seen: Seen) -> tuple[int, str, str, int]:
    observation = seen.observation
    return observation.at_ns, observation.source, observation.part, observation.seq


@dataclass(frozen=True, slots=True)
class Need:
    """One observation that a stage waits for: a kind from one source, and what must be true of it."""

    source: str
    kind: str
    accepts: Callable[[Plan, Observation], bool]
    text: str
    """What is awaited, for people: ``the carrier grants the bearer``."""

    def matches(self, plan: Plan, observation: Observation) -> bool:
        """Say whether an observation meets this need."""
        return observation.source == self.source and observation.kind == self.kind and self.accepts(plan, observation)


@dataclass(frozen=True, slots=True)
class Hint:
    """An observation that explains why a stage was missed: a kind from one source, told in the words of `fields`."""

    source: str
    kind: str
    fields: tuple[str, ...] = ()
    accepts: Callable[[Observation], bool] = lambda observation: True


def do_nothing(plan: Plan, evidence: Evidence) -> tuple[Action, ...]:
    """The `actions` of a stage that only watches."""
    return ()


@dataclass(frozen=True, slots=True)
class Example:
    """A list of what was seen, and what must come of it. `plan` None: the sample plan."""

    title: str
    outcome: Outcome
    observations: tuple[Observation, ...]
    plan: Plan | None = None


@dataclass(frozen=True, slots=True)
class Stage:
    """A state that the bring-up reaches, and its outside witness. `order` places it; gaps leave room."""

    name: str
    order: int
    title: str
    witness: str
    needs: Callable[[Plan], tuple[Need, ...]]
    judge: Callable[[Plan, Evidence], tuple[Finding, ...]]
    summary: Callable[[Plan, Evidence], str]
    actions: Callable[[Plan, Evidence], tuple[Action, ...]] = do_nothing
    hints: tuple[Hint, ...] = ()
    answers_within_s: float = 0.0
    """After the stage is reached, how long its asks that are still open are waited for. A timeout: it protects us."""


@dataclass(frozen=True, slots=True)
class Spoil:
    """A small weakening of what the device (or the management server) is told, while the checks keep to the plan as
    written: some check must notice it. `key` is the place in the profile that it goes against."""

    title: str
    key: str
    change: Callable[[dict[str, Any]], None]
    """Changes, in place, the JSON form of the served configuration (DeviceConfig), or of the management's settings."""
    on: Literal["device", "management"] = "device"


def no_spoils(plan: Plan) -> tuple[Spoil, ...]:
    """Return nothing: the check has nothing to spoil in this plan."""
    return ()


def no_soak(plan: Plan) -> float:
    """Return nothing: the check has nothing to wait out."""
    return 0.0


def bears_on_all(plan: Plan, clause: str) -> bool:
    """Say yes: what the check shows does not hang on the plan's numbers."""
    return True


@dataclass(frozen=True, slots=True)
class Check:
    """A claim beyond the stages. `why_not` returns why the claim does not apply to the plan, or None when it does.

    Checks that do not disturb each other run side by side; each that `disturbs` runs alone, after them, by `order`.
    """

    name: str
    order: int
    title: str
    after: str
    """The stage without which the claim cannot be judged."""
    why_not: Callable[[Plan], str | None]
    judge: Callable[[Plan, Evidence], tuple[Finding, ...]]
    timeout_s: float
    actions: Callable[[Plan, Evidence], tuple[Ask, ...]]
    awaits: Callable[[Plan, Evidence], Seen | None] | None = None
    """Finds what must be seen besides the answers before judging; waited for up to the timeout. None: nothing."""
    disturbs: bool = False
    """Others would see its doings: it takes a link, an account or the uplink for itself."""
    clauses: tuple[str, ...] = ()
    """Clauses that it gives evidence for, such as ``PCI DSS 4.0.1 1.4.3``: see clauses.py."""
    bears_on: Callable[[Plan, str], bool] = bears_on_all
    """Says whether it does so for a clause under this plan: limits that the plan sets wider than the clause prove
    nothing of it."""
    adds_s: Callable[[Plan], float] = no_soak
    """Seconds that the plan's own intervals, such as its heartbeats, add to the timeout."""
    soak_s: Callable[[Plan], float] = no_soak
    """Seconds that its timeout grows by where the plan asks to wait out what takes long (`Plan.soak`)."""
    spoils: Callable[[Plan], tuple[Spoil, ...]] = no_spoils
    """Weakenings that this check must notice. The first is its spoiled twin: it, and no other check, must fail."""


# ---------------------------------------------------------------- reading what a stand-in said


def as_number(value: Any) -> float | None:
    """Return a number as it is, None for anything else: what a stand-in says may have any shape, and is judged all the
    same."""
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None


def as_count(value: Any) -> int:
    """Return a whole number as it is, 0 for anything else."""
    return value if isinstance(value, int) and not isinstance(value, bool) else 0


def as_list(value: Any) -> list[Any]:
    """Return a list as it is, an empty one for anything else."""
    return list(value) if isinstance(value, list | tuple) else []


# ---------------------------------------------------------------- findings, in few words


def hold(  # noqa: PLR0917 - one claim, read left to right like a sentence
    check: str, holds: bool, claim: str, expected: str, seen: str, evidence: Iterable[Seen | Answer | None] = ()
) -> Finding:
    """Return PASS or FAIL for a claim."""
    return Finding(check, "PASS" if holds else "FAIL", claim, expected, seen, number(evidence))


def leave_open(
    check: str, claim: str, expected: str, seen: str, evidence: Iterable[Seen | Answer | None] = ()
) -> Finding:
    """Return INCONCLUSIVE: we could not look."""
    return Finding(check, "INCONCLUSIVE", claim, expected, seen, number(evidence))


def set_aside(check: str, claim: str, reason: str) -> Finding:
    """Return NOT_APPLICABLE with the reason."""
    return Finding(check, "NOT_APPLICABLE", claim, "", reason)


def number(evidence: Iterable[Seen | Answer | None]) -> tuple[int, ...]:
    """Return the numbers of evidence, in order, each once."""
    items = (e.seen if isinstance(e, Answer) else e for e in evidence if e is not None)
    return tuple(sorted({s.index for s in items}))


def find_broken(evidence: Evidence, check: str, claim: str, expected: str, label: str) -> Finding | None:
    """Return an INCONCLUSIVE finding where a probe did not answer or broke, else None: its answer can be judged.

    A subject that stayed silent is for the judge to judge (`Answer.is_silence`), not a broken probe.
    """
    answer = evidence.find_answer(label)
    if answer is None:
        return leave_open(check, claim, expected, f"nothing: the probe {label} gave no answer")
    if not answer.ok and not answer.is_silence:
        return leave_open(
            check, claim, expected, f"the probe {label} broke: {answer.error or 'no reason given'}", [answer]
        )
    return None
