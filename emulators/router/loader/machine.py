"""Which slot to start, and what becomes of a trial. Layer: stand-in, pure: no clock, no file.

    installed --(reboot)--> on trial --confirm--> good
                               |-- the runtime ends, or is not confirmed in time, or MAX_TRIAL_STARTS is used up:
                               v   the candidate is given up, the good slot starts
    A power cut during a trial costs one of its starts, not the candidate.

An image whose trial failed is remembered by its SHA-256 and rests, longer each time, before it may be tried again: a
release with a bug must not keep the device restarting, and a good one that met a dead network must get its turn.

Laws: the good slot is never written. A state is on flash before what it allows is done, so that any cut leaves a state
from which the device starts. Not here: flash (flash.py), processes (boot.py).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Literal

Slot = Literal["a", "b"]
Cause = Literal["power", "reboot"]

MAX_TRIAL_STARTS = 2  # our choice: a candidate survives one power cut during its trial
RESTS_S = (60.0, 600.0, 3600.0, 86400.0)  # our choice: growing tenfold about, to once a day
RESTART_DELAYS_S = (1.0, 2.0, 4.0, 8.0, 16.0, 30.0)  # common practice: doubling, capped


class LoaderError(RuntimeError):
    """The device cannot start, or a request of the runtime is refused."""


@dataclass(frozen=True, slots=True)
class SlotState:
    """What flash remembers of the slots. `candidate`: written but not confirmed; `trial_starts`: how often started.
    `failed`: SHA-256 (hex) of the image whose trial failed last, `failures` times in a row."""

    format: Literal[1]
    good: Slot
    candidate: Slot | None
    trial_starts: int
    boot_count: int
    failed: str | None = None
    failures: int = 0


@dataclass(frozen=True, slots=True)
class FellBack:
    from_slot: Slot
    to_slot: Slot
    reason: str


@dataclass(frozen=True, slots=True)
class Choice:
    """What to start. `state` must be on flash before the start."""

    slot: Slot
    trial: bool
    state: SlotState
    fell_back: FellBack | None


def build_first_state() -> SlotState:
    """Return the state of a device fresh from the factory: release in slot a, nothing in slot b."""
    return SlotState(format=1, good="a", candidate=None, trial_starts=0, boot_count=0)


def other(slot: Slot) -> Slot:
    return "b" if slot == "a" else "a"


def count_boot(state: SlotState) -> SlotState:
    return dataclasses.replace(state, boot_count=state.boot_count + 1)


def choose(state: SlotState, valid: dict[Slot, bool]) -> Choice:
    """Say which slot starts. `valid`: which slots' images passed their checks. Raises: LoaderError when none did."""
    if state.candidate is not None:
        reason = _find_refusal(state, valid[state.candidate])
        if reason is None:
            started = dataclasses.replace(state, trial_starts=state.trial_starts + 1)
            return Choice(state.candidate, True, started, None)
        fell_back = FellBack(state.candidate, state.good, reason)
        state = give_up(state)
        if valid[state.good]:
            return Choice(state.good, False, state, fell_back)
    if valid[state.good]:
        return Choice(state.good, False, state, None)
    spare = other(state.good)
    if not valid[spare]:
        raise LoaderError("expected a slot whose image may be started, saw both slots rejected")
    state = dataclasses.replace(state, good=spare, candidate=None, trial_starts=0)
    return Choice(spare, False, state, FellBack(other(spare), spare, "its image was rejected"))


def _find_refusal(state: SlotState, valid: bool) -> str | None:
    if state.trial_starts >= MAX_TRIAL_STARTS:
        return f"not confirmed in {MAX_TRIAL_STARTS} starts"
    return None if valid else "its image was rejected"


def give_up(state: SlotState) -> SlotState:
    """Forget the candidate (a trial that failed)."""
    return dataclasses.replace(state, candidate=None, trial_starts=0)


def fail(state: SlotState, sha256: str) -> SlotState:
    """Remember that an image's trial failed."""
    return dataclasses.replace(state, failed=sha256, failures=state.failures + 1 if state.failed == sha256 else 1)


def find_rest_s(state: SlotState, sha256: str, up_s: float) -> float:
    """Return how much longer an image must rest before it may be tried, `up_s` seconds after the device's start (it has
    no clock of its own to count a rest by)."""
    if state.failed != sha256:
        return 0.0
    return max(0.0, RESTS_S[min(state.failures, len(RESTS_S)) - 1] - up_s)


def confirm(state: SlotState, running: Slot) -> SlotState:
    """The running release is well: a candidate becomes the good slot. Confirming the good slot changes nothing."""
    if state.candidate != running:
        return state
    return dataclasses.replace(state, good=running, candidate=None, trial_starts=0, failed=None, failures=0)


def find_target(state: SlotState, running: Slot) -> Slot:
    """Return the slot that a new image may be written to. Raises: LoaderError."""
    if running != state.good:
        raise LoaderError(f"slot {running} is on trial; confirm it before an image is written over slot {state.good}")
    return other(state.good)


def install(state: SlotState, target: Slot) -> SlotState:
    """An image was written to `target` whole: it is the candidate of the next start."""
    return dataclasses.replace(state, candidate=target, trial_starts=0)


def find_restart_delay(crashes_in_a_row: int) -> float:
    """Return how long to wait before the next start, after `crashes_in_a_row` ends of the runtime nobody asked for."""
    return RESTART_DELAYS_S[min(crashes_in_a_row, len(RESTART_DELAYS_S)) - 1]
