"""A tape run through the same machine again. Layer: core, pure. There is no second judge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from harness.core.entries import Check, Stage
from harness.core.machine import RunMachine
from harness.core.model import Observation, Plan
from harness.core.registry import load_checks, load_stages


class TapeEntry(Protocol):
    """One input that a machine was given: `kind` is ``start``, ``observation`` or ``tick``."""

    @property
    def kind(self) -> str: ...

    @property
    def now_ns(self) -> int: ...

    @property
    def observation(self) -> Observation | None: ...


def replay(
    plan: Plan,
    tape: Iterable[TapeEntry],
    stages: Sequence[Stage] | None = None,
    checks: Sequence[Check] | None = None,
) -> RunMachine:
    """Return the machine after all entries of a tape. Actions go nowhere: their effects are on the tape already.

    Raises: ValueError for an entry of an unknown kind.
    """
    machine = RunMachine(plan, load_stages() if stages is None else stages, load_checks() if checks is None else checks)
    for entry in tape:
        if entry.kind == "start":
            machine.start(entry.now_ns)
        elif entry.kind == "tick":
            machine.on_tick(entry.now_ns)
        elif entry.kind == "observation" and entry.observation is not None:
            machine.on_observation(entry.observation, entry.now_ns)
        else:
            raise ValueError(f"tape: expected start, observation or tick, saw {entry.kind!r}")
    return machine
