"""Slots: trial, confirmation, fall-back; and a power cut at every step of every flash write."""

from __future__ import annotations

import base64
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.router.loader import machine
from emulators.router.loader.board import find_descendants
from emulators.router.loader.flash import Flash
from emulators.router.loader.machine import LoaderError, SlotState, build_first_state, choose

FIRST = build_first_state()
TRIED = replace(FIRST, candidate="b")
BOTH = {"a": True, "b": True}


@pytest.mark.parametrize(
    ("state", "valid", "slot", "trial", "fell_back"),
    [
        (FIRST, {"a": True, "b": False}, "a", False, None),
        (FIRST, {"a": False, "b": True}, "b", False, "its image was rejected"),
        (TRIED, BOTH, "b", True, None),
        (replace(TRIED, trial_starts=1), BOTH, "b", True, None),
        (replace(TRIED, trial_starts=machine.MAX_TRIAL_STARTS), BOTH, "a", False, "not confirmed in 2 starts"),
        (TRIED, {"a": True, "b": False}, "a", False, "its image was rejected"),
        (TRIED, {"a": False, "b": True}, "b", True, None),
        (machine.confirm(TRIED, "b"), BOTH, "b", False, None),
        (machine.give_up(TRIED), BOTH, "a", False, None),
    ],
)
def test_choice(state: SlotState, valid: dict[machine.Slot, bool], slot: str, trial: bool, fell_back: str) -> None:
    choice = choose(state, valid)
    assert (choice.slot, choice.trial) == (slot, trial)
    assert (choice.fell_back.reason if choice.fell_back else None) == fell_back
    assert choice.state.trial_starts == (state.trial_starts + 1 if trial else 0)


def test_nothing_to_start() -> None:
    with pytest.raises(LoaderError, match="both slots rejected"):
        choose(TRIED, {"a": False, "b": False})


def test_the_good_slot_is_never_written() -> None:
    assert machine.find_target(FIRST, "a") == "b"
    with pytest.raises(LoaderError, match="on trial"):
        machine.find_target(replace(TRIED, trial_starts=1), "b")
    assert machine.find_target(machine.confirm(TRIED, "b"), "b") == "a"


@given(st.lists(st.sampled_from(["boot", "confirm", "install", "give up"]), max_size=40))
def test_a_good_slot_stays_until_another_is_confirmed(steps: list[str]) -> None:
    """Whatever happens in whatever order: the good slot changes only by a confirmation, and trials are bounded."""
    state, running = FIRST, FIRST.good
    for step in steps:
        good = state.good
        if step == "boot":
            choice = choose(machine.count_boot(state), BOTH)
            state, running = choice.state, choice.slot
        elif step == "confirm":
            state = machine.confirm(state, running)
        elif step == "install" and running == state.good:
            state = machine.install(state, machine.find_target(state, running))
        elif step == "give up":
            state = machine.give_up(state)
        assert state.good == good or step == "confirm"
        assert state.trial_starts <= machine.MAX_TRIAL_STARTS
        assert state.candidate != state.good


def test_restart_delays_grow_to_a_cap() -> None:
    delays = [machine.find_restart_delay(n) for n in range(1, 12)]
    assert delays == sorted(delays)
    assert delays[-1] == machine.RESTART_DELAYS_S[-1]


class PowerCut(Exception):
    pass


def cut_at(number: int) -> tuple[list[str], object]:
    seen: list[str] = []

    def on_step(step: str) -> None:
        seen.append(step)
        if len(seen) == number:
            raise PowerCut(step)

    return seen, on_step


SEED = {
    "format": 1,
    "run": "r",
    "node": "router",
    "links": [],
    "settings": {
        "factory": {"release": "1", "image_base64": base64.b64encode(b"factory image").decode()},
        **{key: {"of": key} for key in ("identity", "trust", "first_boot", "hardware", "waits")},
        "sims": [],
    },
}
STAGE_STEPS = 4 * 4  # four files, four steps each


def test_a_cut_while_staging_leaves_a_device_that_is_staged_anew(tmp_path: Path) -> None:
    for number in range(1, STAGE_STEPS + 1):
        root = tmp_path / str(number)
        _, on_step = cut_at(number)
        with pytest.raises(PowerCut):
            Flash(root, on_step).stage(SEED)  # type: ignore[arg-type]
        after = Flash(root)
        if after.is_staged():
            assert number == STAGE_STEPS  # the last rename: all is there
        else:
            after.stage(SEED)
        assert after.load_slot("a") == b"factory image"
        assert after.load_json("device.json")["trust"] == {"of": "trust"}
        assert "identity" not in after.load_json("board.json")["settings"]


@pytest.mark.parametrize("number", range(1, 9))
def test_a_cut_while_installing_leaves_a_slot_that_starts(tmp_path: Path, number: int) -> None:
    """An image whose bytes are not whole never becomes the candidate."""
    Flash(tmp_path).stage(SEED)
    seen, on_step = cut_at(number)
    flash = Flash(tmp_path, on_step)  # type: ignore[arg-type]
    with pytest.raises(PowerCut):
        flash.save_file(flash.slot_path("b"), b"a new image")
        flash.save_state(machine.install(flash.load_state(), "b"))
    after = Flash(tmp_path)
    assert after.load_slot("a") == b"factory image"
    assert after.load_slot("b") in (b"", b"a new image")
    choice = choose(after.load_state(), {"a": True, "b": after.load_slot("b") == b"a new image"})
    assert choice.fell_back is None
    assert choice.trial == (seen[-1] == "slots.json: renamed")


def test_private_files_are_private(tmp_path: Path) -> None:
    Flash(tmp_path).stage(SEED)
    assert (tmp_path / "device.json").stat().st_mode & 0o077 == 0


def test_descendants() -> None:
    """PID 1's own, adopted daemons too; not what the engine put beside it (parent 0), nor that one's children."""
    parents = {1: 0, 5: 1, 6: 5, 7: 1, 20: 0, 21: 20}
    assert find_descendants(1, parents) == {5, 6, 7}
