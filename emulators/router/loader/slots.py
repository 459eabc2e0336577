"""The images in the slots: which may start, how one gets in, and what becomes of a trial. Layer: stand-in, I/O (flash).

Not here: which slot is chosen (machine.py), what runs (boot.py).
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from emulators.common.firmware import FirmwareError, Manifest, verify
from emulators.common.service import Console
from emulators.router.loader import machine
from emulators.router.loader.flash import Flash
from emulators.router.loader.machine import Choice, LoaderError, Slot, SlotState

Images = dict[Slot, tuple[bytes, Manifest]]


class Slots:
    """`hardware` and `waits` are the board's; `public_key_pem` is the key that releases are signed with."""

    def __init__(
        self,
        console: Console,
        flash: Flash,
        hardware: Mapping[str, Any],
        waits: Mapping[str, float],
        public_key_pem: str,
    ) -> None:
        self._console, self._flash = console, flash
        self._hardware, self._waits, self._public_key_pem = hardware, waits, public_key_pem
        self._booted_s = 0.0

    def begin_boot(self) -> SlotState:
        """Count one boot more."""
        self._booted_s = time.monotonic()
        state = machine.count_boot(self._flash.load_state())
        self._flash.save_state(state)
        return state

    def choose(self, state: SlotState) -> tuple[Choice, bytes, Manifest]:
        """Return what to start, verified in this very boot. Raises: LoaderError when no slot's image may start."""
        images: Images = {}
        for slot in _list_slots(state):
            self._check(slot, images)
            if slot in images:
                break
        choice = machine.choose(state, {slot: slot in images for slot in ("a", "b")})
        if state.candidate is not None and choice.fell_back:
            failed = machine.fail(choice.state, self._digest(state.candidate))
            choice = Choice(choice.slot, choice.trial, failed, choice.fell_back)
        self._flash.save_state(choice.state)
        if choice.fell_back:
            self._console.emit("slot.fell_back", **asdict(choice.fell_back))
        if choice.slot not in images:
            self._check(choice.slot, images)
        return choice, *images[choice.slot]

    def fail_trial(self, reason: str) -> None:
        """Give the candidate up."""
        state = self._flash.load_state()
        if state.candidate is not None:
            self._flash.save_state(machine.fail(machine.give_up(state), self._digest(state.candidate)))
            self._console.emit("slot.fell_back", from_slot=state.candidate, to_slot=state.good, reason=reason)

    def confirm(self, running: Slot, release: str) -> None:
        """The running release is well."""
        state = self._flash.load_state()
        confirmed = machine.confirm(state, running)
        if confirmed != state:
            self._flash.save_state(confirmed)
            self._console.emit("slot.confirmed", slot=running, release=release)

    def install(self, running: Slot, path: Path) -> dict[str, Any]:
        """Verify an image and write it to the other slot. Raises: FirmwareError, LoaderError, OSError."""
        state = self._flash.load_state()
        target = machine.find_target(state, running)
        if state.candidate == target:  # what lies there is about to go: it may no longer be tried
            state = machine.give_up(state)
            self._flash.save_state(state)
        image = path.read_bytes()
        manifest = self._verify(image)
        rest_s = self.find_rest_s(hashlib.sha256(image).hexdigest())["rest_s"]
        if rest_s:
            raise LoaderError(f"this image's trial failed; it may be tried again in {rest_s:.0f} s")
        began_s = time.monotonic()
        self._console.emit("slot.erased", slot=target)
        self._flash.save_file(self._flash.slot_path(target), image, self._waits["flash_write_s"])
        took_s = round(time.monotonic() - began_s, 6)
        self._console.emit("slot.written", slot=target, release=manifest.release, bytes=len(image), took_s=took_s)
        self._flash.save_state(machine.install(state, target))
        path.unlink(missing_ok=True)
        return {"slot": target, "release": manifest.release}

    def find_rest_s(self, sha256: str) -> dict[str, Any]:
        """Return how much longer an image must rest, and how often its trial failed."""
        state = self._flash.load_state()
        rest_s = machine.find_rest_s(state, sha256, time.monotonic() - self._booted_s)
        return {"rest_s": rest_s, "failures": state.failures if state.failed == sha256 else 0}

    def _check(self, slot: Slot, images: Images) -> None:
        image = self._flash.load_slot(slot)
        try:
            manifest = self._verify(image)
        except FirmwareError as error:
            self._console.emit("slot.rejected", slot=slot, reason=str(error))
            return
        images[slot] = (image, manifest)
        sha256 = hashlib.sha256(image).hexdigest()
        self._console.emit("slot.verified", slot=slot, release=manifest.release, sha256=sha256)

    def _verify(self, image: bytes) -> Manifest:
        return verify(image, self._public_key_pem, self._hardware["name"], self._hardware["slot_bytes"])

    def _digest(self, slot: Slot) -> str:
        return hashlib.sha256(self._flash.load_slot(slot)).hexdigest()


def _list_slots(state: SlotState) -> list[Slot]:
    """Return the slots in the order in which they are looked at."""
    order: list[Slot] = [state.good, machine.other(state.good)]
    if state.candidate is not None and state.trial_starts < machine.MAX_TRIAL_STARTS:
        order.reverse()
    return order
