"""What sets in before the router has power, as a machine of its own for the loop. Layer: trial, pure.

So the tape of a run begins where its run machine begins. Time is an argument. Not here: the trial itself (trial.py).
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.core.entries import Evidence, Seen
from harness.core.faults import Applied
from harness.core.model import Action, Observation, Plan
from harness.core.timing import to_ns
from harness.trial.notes import BENCH_ANSWER_S, take_notes


class Prelude:
    """The faults that set in before power, as a machine of its own. Run it to its end before the trial."""

    def __init__(self, plan: Plan, applied: Sequence[Applied]) -> None:
        self.notes = tuple(take_notes(plan, one, place) for place, one in enumerate(applied))
        self.broken: str | None = None
        self.done = False
        self._evidence = Evidence()
        self._count = 0
        self._due_ns: int | None = None

    @property
    def deadline_ns(self) -> int | None:
        return None if self.done else self._due_ns

    def start(self, now_ns: int) -> tuple[Action, ...]:
        """Begin."""
        self._due_ns = now_ns + to_ns(BENCH_ANSWER_S)
        early = [n for n in self.notes if n.applied.fault.onset.stage is None]
        actions = tuple(action for note in early for action in note.set_in(now_ns))
        self._settle(now_ns)
        return actions

    def on_observation(self, observation: Observation, now_ns: int) -> tuple[Action, ...]:
        """Take one observation."""
        self._evidence.add(Seen(self._count, observation))
        self._count += 1
        self._settle(now_ns)
        return ()

    def on_tick(self, now_ns: int) -> tuple[Action, ...]:
        """Be woken."""
        self._settle(now_ns)
        return ()

    def _settle(self, now_ns: int) -> None:
        for note in self.notes:
            if note.state == "setting_in":
                self.broken = self.broken or note.settle_in(self._evidence, now_ns)
        late = self._due_ns is not None and now_ns >= self._due_ns
        if late and not self.broken:
            self.broken = f"no answer within {BENCH_ANSWER_S:g} s"
        self.done = late or self.broken is not None or all(n.state != "setting_in" for n in self.notes)
