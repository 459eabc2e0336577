"""One trial: a run machine, and faults put upon what it runs in. Layer: trial, pure; time is an argument.

Theory of operation. The machine of stages and checks runs as ever and never learns of a fault. Beside it:

    (before   what sets in before power: `Prelude`, a run of its own, so that a tape begins where the machine begins)
    running   the machine runs; faults set in, and brief ones end, as their onset and length say
    lasting   the machine is done: wait until each fault that lasts has shown itself and its time is over
    look      is the branch in service while the cause lasts?
    mending   what was done is undone
    recovery  is the branch back in service, by itself?
    after     the invariants of a remote device
    done

A trial in a lab that stands in service is given a machine that was fed that bring-up's tape. Everything that a trial
learns it learns from observations.

Not here: what came of it (outcome.py), the bench's looks (service.py), the notes on one fault (notes.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from harness.core.entries import Check, Evidence, Seen, Stage
from harness.core.machine import RunMachine
from harness.core.model import Action, Finding, Observation, Plan
from harness.core.timing import SETTLE_NS, to_ns
from harness.trial.notes import BENCH_ANSWER_S, Notes
from harness.trial.prelude import Prelude
from harness.trial.service import Looks, find_service, has_looked

Phase = Literal["running", "lasting", "look", "mending", "recovery", "after", "done"]

SHOW_S = 35.0
"""How long a fault that lasts may take to show itself once the machine is done; the time after which the profile has a
silent peer looked for is added. A timeout: requests that nobody answers are commonly given up within half a minute."""
LOOK_S = 10.0
"""How long a look into service takes that finds nothing; two heartbeats are added."""
LONGEST_LOOK_S = 45.0
"""How much longer a look may take that has not come to an end: a client that is admitted anew asks for half a minute.
A timeout: it protects us."""
BEAT_S = 2.0
"""The heartbeat that an expectation's time to be back takes for granted. A device that is heard more rarely is known to
be back later by as much, and no sooner."""


class Trial:
    """Feed it with `start`, then `on_observation` and `on_tick` until `done`. `machine` is the bring-up's: a new
    one, or one that is done (the lab stands in service)."""

    def __init__(self, plan: Plan, prelude: Prelude, machine: RunMachine, invariants: Sequence[Check]) -> None:
        self.plan, self.machine = plan, machine
        self.notes = prelude.notes
        self.is_standing = machine.done
        self.evidence = Evidence(Seen(i, o) for i, o in enumerate(machine.evidence))
        self.phase: Phase = "running"
        self.serves: bool | None = None
        """Whether the branch was in service while the cause lasted; None: not looked at."""
        self.back: tuple[Seen, Seen] | None = None
        """The echo and the heartbeat that show that the branch is back."""
        self.broken: str | None = prelude.broken
        """Why the bench could not do its part; None where it could."""
        self._invariants = [c for c in invariants if c.why_not(plan) is None]
        self._after: RunMachine | None = None
        self._looks: Looks | None = None
        self._since_ns = 0
        """When the phase began."""
        self._now_ns = 0
        self._pending: list[Action] = []

    @property
    def done(self) -> bool:
        return self.phase == "done"

    @property
    def gone_ns(self) -> int | None:
        """When the last cause was gone; None while one lasts, or where none ever set in."""
        times = [n.gone_ns for n in self.notes if n.state != "never"]
        return None if not times or None in times else max(t for t in times if t is not None)

    @property
    def invariants(self) -> tuple[Finding, ...]:
        """What must hold of a device after any fault: what became of it."""
        return self._after.findings() if self._after is not None else ()

    def find_shown(self, note: Notes) -> Seen | None:
        """Return what shows that a fault bit, or None: nothing that happened before it set in does."""
        shown = note.applied.fault.shows(self.plan, note.applied.values, self.evidence)
        return shown if shown is not None and note.begun_ns is not None and shown.at_ns >= note.begun_ns else None

    @property
    def back_within_s(self) -> float:
        """Within what time from the end of the cause the branch is to be seen back."""
        longest_s = max(n.expectation.back_within_s for n in self.notes)
        waits = self.plan.waits
        hardware_s = 2 * (waits.boot_s + waits.modem_registration_s) + waits.flash_write_s  # an upgrade boots twice
        slower_s = hardware_s if self.plan.pace == "field" else 0.0
        return longest_s + slower_s + max(0.0, self.plan.branch.heartbeat_s - BEAT_S)

    # ------------------------------------------------------------ inputs

    def start(self, now_ns: int) -> tuple[Action, ...]:
        """Begin."""
        self._since_ns = now_ns
        if not self.is_standing:
            self._pending += self.machine.start(now_ns)
        return self._advance(now_ns)

    def on_observation(self, observation: Observation, now_ns: int) -> tuple[Action, ...]:
        """Take one observation."""
        self.evidence.add(Seen(len(self.evidence), observation))
        self._pending += self.machine.on_observation(observation, now_ns)
        if self._after is not None:
            self._pending += self._after.on_observation(observation, now_ns)
        return self._advance(now_ns)

    def on_tick(self, now_ns: int) -> tuple[Action, ...]:
        """Be woken."""
        self._pending += self.machine.on_tick(now_ns)
        if self._after is not None:
            self._pending += self._after.on_tick(now_ns)
        return self._advance(now_ns)

    @property
    def deadline_ns(self) -> int | None:
        """When the trial must be woken if nothing is seen before; None when it is done."""
        if self.done:
            return None
        machines = [self.machine.deadline_ns, self._after.deadline_ns if self._after else None]
        own = [self._looks.deadline_ns if self._looks else None, self._find_phase_end_ns()]
        own += [n.wake_ns(BENCH_ANSWER_S) for n in self.notes]
        wakes = [w for w in machines if w is not None] + [w for w in own if w is not None and w > self._now_ns]
        return min(wakes, default=None)

    # ------------------------------------------------------------ the phases

    def _advance(self, now_ns: int) -> tuple[Action, ...]:
        self._now_ns = now_ns
        phase = None
        while phase != self.phase:
            phase = self.phase
            self._follow_notes(now_ns)
            getattr(self, f"_in_{phase}")(now_ns)
        actions, self._pending = tuple(self._pending), []
        return actions

    def _go_to(self, phase: Phase, now_ns: int) -> None:
        self.phase, self._since_ns, self._looks = phase, now_ns, None
        if phase in ("look", "recovery"):
            self._looks = Looks(self.plan, phase, now_ns)
        elif phase == "mending":
            last_first = sorted(reversed(self.notes), key=lambda n: n.begun_ns or 0, reverse=True)
            for note in last_first:  # each puts back what it found
                self._pending += note.mend(now_ns)
        elif phase == "after":
            plan = replace(self.plan, only=(), skip=(), until=None)
            self._after = RunMachine(plan, [_STAND], self._invariants)
            self._pending += self._after.start(now_ns)
            for seen in self.machine.evidence:
                self._pending += self._after.on_observation(seen, now_ns)

    def _follow_notes(self, now_ns: int) -> None:
        """Let faults set in and brief ones end, each in its time."""
        for note in self.notes:
            if note.state == "waiting" and self._is_due(note) and not self._waits_for_power(note):
                self._pending += note.set_in(now_ns)
            if note.state == "setting_in":
                self.broken = self.broken or note.settle_in(self.evidence, now_ns)
            is_over = note.state == "lasting" and note.is_brief and note.is_over(now_ns)
            if is_over and (note.cuts_power or not (note.needs_power and self._is_dark)):
                self._pending += note.mend(now_ns)
            if note.state == "mending":
                self.broken = self.broken or note.settle_out(self.evidence, now_ns)
            if note.is_late(now_ns, BENCH_ANSWER_S):
                self.broken = self.broken or f"{note.applied.text}: no answer within {BENCH_ANSWER_S:g} s"
                note.give_up(now_ns)

    @property
    def _is_dark(self) -> bool:
        """Say whether the router is without power."""
        return any(n.cuts_power and n.state in ("setting_in", "lasting") for n in self.notes)

    def _waits_for_power(self, note: Notes) -> bool:
        """Say whether a fault cannot set in yet because of the router's power: a dark router cannot be asked, and one
        that is to answer is not cut. Where both are due the cut is first: what is told to a router that is then cut
        it can be told to end no more."""
        if not note.needs_power or self._is_dark:
            return note.needs_power
        if note.cuts_power:
            return any(n.needs_power and n.state in ("setting_in", "mending") for n in self.notes)
        return any(n.cuts_power and n.state == "waiting" and self._is_due(n) for n in self.notes)

    def _is_due(self, note: Notes) -> bool:
        onset = note.applied.fault.onset
        if self.is_standing:
            return onset.stage is not None
        reached = {p.name for p in self.machine.progress if p.state == "reached"}
        if onset.stage == "hq_reached" and not self.machine.done:
            return False  # in service: the measurements of the last stage, and the checks, are over
        if onset.stage is None or onset.stage not in reached:
            return False
        return onset.when is None or onset.when(self.plan, note.applied.values, self.evidence) is not None

    def _in_running(self, now_ns: int) -> None:
        if not self.machine.done:
            return
        waiting = [n for n in self.notes if n.state == "waiting"]
        if not self.broken and any(self._is_due(n) for n in waiting):
            return  # for power
        for note in waiting:
            note.state = "never"  # whatever was due has set in by now
        if self.broken or all(n.state != "setting_in" for n in self.notes):
            self._go_to("lasting", now_ns)

    def _in_lasting(self, now_ns: int) -> None:
        lasting = [n for n in self.notes if n.state == "lasting"]
        if any(n.state == "mending" for n in self.notes):
            return
        waits = [n for n in lasting if not n.is_over(now_ns)]
        hidden = [n for n in lasting if n.lasts_s is None and self.find_shown(n) is None]
        is_patient = now_ns < self._since_ns + self._show_ns
        if not self.broken and (waits or (hidden and is_patient)):
            return
        is_asked = any(n.expectation.serves is not None for n in lasting)
        self._go_to("look" if is_asked and not self.broken else "mending", now_ns)

    def _in_look(self, now_ns: int) -> None:
        found = find_service(self.plan, self.evidence, self._since_ns)
        least_ns = self._since_ns + self._look_ns
        is_over = now_ns >= least_ns and has_looked(self.evidence, "look")
        if found is not None or is_over or now_ns >= least_ns + to_ns(LONGEST_LOOK_S):
            self.serves = found is not None if found or has_looked(self.evidence, "look") else None
            self._go_to("mending", now_ns)
        elif self._looks is not None:
            self._pending += self._looks.go_on(self.evidence, now_ns)

    def _in_mending(self, now_ns: int) -> None:
        if any(n.state == "mending" for n in self.notes):
            return
        self._go_to("after" if self.broken or self.gone_ns is None else "recovery", now_ns)

    def _in_recovery(self, now_ns: int) -> None:
        assert self.gone_ns is not None
        self.back = find_service(self.plan, self.evidence, self.gone_ns)
        if self.back is not None or now_ns >= self._recovered_by_ns:
            self._go_to("after", now_ns)
        elif self._looks is not None:
            self._pending += self._looks.go_on(self.evidence, now_ns)

    def _in_after(self, now_ns: int) -> None:
        if self._after is not None and self._after.done:
            self._go_to("done", now_ns)

    def _in_done(self, now_ns: int) -> None:
        """Nothing is left to do."""

    @property
    def _show_ns(self) -> int:
        return to_ns(SHOW_S + self.plan.branch.tunnel.dpd_s)

    @property
    def _look_ns(self) -> int:
        return to_ns(LOOK_S + 2 * self.plan.branch.heartbeat_s)

    @property
    def _recovered_by_ns(self) -> int:
        return (self.gone_ns or 0) + to_ns(self.back_within_s) + SETTLE_NS

    def _find_phase_end_ns(self) -> int | None:
        if self.phase == "recovery":
            return self._recovered_by_ns
        if self.phase == "lasting":
            return self._since_ns + self._show_ns
        if self.phase == "look":
            least_ns = self._since_ns + self._look_ns
            return least_ns if self._now_ns < least_ns else least_ns + to_ns(LONGEST_LOOK_S)
        return None


_STAND = Stage("hq_reached", 0, "", "", lambda p: (), lambda p, e: (), lambda p, e: "")
"""A stage that is reached at once, under the name that all invariants come after."""
