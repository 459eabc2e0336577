"""The loop: carry out actions, wait for what is seen, feed the machine, repeat. Layer: between core and lab.

Every input that the machine gets goes to the sink first, so a tape always holds at least what the machine knew.
Not here: what to do (core.machine), how (lab), what it means (core.verdict).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

from harness.core.model import Action, Observation, TapeEntry
from harness.lab.ports import Clock, Lab

LIVE_NS = 200_000_000
"""How stale a live view may be. The machine itself needs no wake-up before its own deadline."""


class Machine(Protocol):
    """What the loop drives: a run machine, or one that has a run machine in it."""

    @property
    def done(self) -> bool: ...

    @property
    def deadline_ns(self) -> int | None: ...

    def start(self, now_ns: int) -> tuple[Action, ...]: ...

    def on_observation(self, observation: Observation, now_ns: int) -> tuple[Action, ...]: ...

    def on_tick(self, now_ns: int) -> tuple[Action, ...]: ...


_M = TypeVar("_M", bound=Machine)


class Sink(Protocol):
    def write(self, entry: TapeEntry) -> None:
        """Keep one entry."""


class Loop(Generic[_M]):
    """Runs one machine in one lab, in steps as long as the caller likes. The lab is started and stopped by the caller.

    `waited_ns` is the time spent waiting for the lab to show something: what is left of the wall time is our own.
    """

    def __init__(self, machine: _M, lab: Lab, clock: Clock, sink: Sink, on_progress: Callable[[_M], None]) -> None:
        self.machine = machine
        self.waited_ns = 0
        self._lab, self._clock, self._sink, self._on_progress = lab, clock, sink, on_progress
        self._started = False

    def run(self, until: Callable[[_M], bool] = lambda machine: False) -> None:
        """Go on until the machine is done or `until` says so. Raises: LabError."""
        if not self._started:
            self._started = True
            self._feed(TapeEntry("start", self._clock.now_ns()))
        while not self.machine.done and not until(self.machine):
            self._step()

    def _step(self) -> None:
        asked_ns = self._clock.now_ns()
        deadline_ns = self.machine.deadline_ns
        wake_ns = asked_ns + LIVE_NS if deadline_ns is None else min(deadline_ns, asked_ns + LIVE_NS)
        seen = self._lab.wait_observation(wake_ns)
        now_ns = self._clock.now_ns()
        self.waited_ns += now_ns - asked_ns
        if seen is not None:
            self._feed(TapeEntry("observation", now_ns, seen))
        elif deadline_ns is not None and now_ns >= deadline_ns:
            self._feed(TapeEntry("tick", now_ns))
        else:
            self._on_progress(self.machine)

    def _feed(self, entry: TapeEntry) -> None:
        self._sink.write(entry)
        for action in feed(self.machine, entry):
            self._lab.perform(action)
        self._on_progress(self.machine)


def feed(machine: Machine, entry: TapeEntry) -> tuple[Action, ...]:
    """Give one tape entry to a machine; return what it wants done."""
    if entry.kind == "start":
        return machine.start(entry.now_ns)
    if entry.observation is not None:
        return machine.on_observation(entry.observation, entry.now_ns)
    return machine.on_tick(entry.now_ns)
