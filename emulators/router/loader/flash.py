"""The device's flash: a folder that outlives power cuts. Layer: stand-in, file I/O.

    board.json    what the hardware is: node, links, sims, hardware, waits, identities (of its secure element)
    device.json   what factory and staging wrote: identity, trust, first_boot
    slots.json    SlotState
    slot-a.img, slot-b.img   release images        incoming.img   an image being fetched: never started

Law: a file is replaced whole (write a temporary, fsync, rename, fsync the folder), so after any cut it is the old or
the new one. `board.json` is written last of all: where it is missing, the device was never staged.
"""

from __future__ import annotations

import base64
import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from emulators.common.record import from_json, to_json
from emulators.router.loader.machine import Slot, SlotState, build_first_state

BOARD_KEYS = ("hardware", "waits", "sims", "identities")
DEVICE_KEYS = ("identity", "trust", "first_boot")

PIECES = 16  # in how many pieces a slow write is done: our choice, so that a cut finds it anywhere

Step = Callable[[str], None]


def _ignore(_: str) -> None:
    return


class Flash:
    """Reads and writes one flash. `on_step` is told of each write step (tests cut the power there)."""

    def __init__(self, root: Path, on_step: Step = _ignore) -> None:
        self.root, self._on_step = root, on_step

    def is_staged(self) -> bool:
        return (self.root / "board.json").exists()

    def stage(self, seed: dict[str, Any]) -> None:
        """Write what factory and staging write, from the seed."""
        settings = seed["settings"]
        self.root.mkdir(parents=True, exist_ok=True)
        self.save_file(self.slot_path("a"), base64.b64decode(settings["factory"]["image_base64"], validate=True))
        self.save_state(build_first_state())
        self.save_json("device.json", {key: settings[key] for key in DEVICE_KEYS})
        board = {"format": 1, "run": seed["run"], "node": seed["node"], "links": seed["links"]}
        known = {key: settings[key] for key in BOARD_KEYS if key in settings}
        self.save_json("board.json", {**board, "settings": known})

    def load_json(self, name: str) -> dict[str, Any]:
        loaded: dict[str, Any] = json.loads((self.root / name).read_bytes())
        return loaded

    def save_json(self, name: str, value: Any) -> None:
        self.save_file(self.root / name, json.dumps(value, sort_keys=True).encode())

    def load_state(self) -> SlotState:
        return from_json(SlotState, self.load_json("slots.json"))

    def save_state(self, state: SlotState) -> None:
        self.save_json("slots.json", to_json(state))

    def slot_path(self, slot: Slot) -> Path:
        return self.root / f"slot-{slot}.img"

    def load_slot(self, slot: Slot) -> bytes:
        """Return a slot's bytes; an empty slot is b\"\"."""
        path = self.slot_path(slot)
        return path.read_bytes() if path.exists() else b""

    def save_file(self, path: Path, content: bytes, over_s: float = 0.0) -> None:
        """Replace a file whole. `over_s`: how long the memory takes for it."""
        temporary = path.with_name(path.name + ".new")
        self._on_step(f"{path.name}: before write")
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        try:
            half = memoryview(content)[: len(content) // 2]
            _write_all(descriptor, half, over_s / 2)
            self._on_step(f"{path.name}: half written")
            _write_all(descriptor, memoryview(content)[len(half) :], over_s / 2)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        self._on_step(f"{path.name}: written")
        temporary.rename(path)
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
        self._on_step(f"{path.name}: renamed")


def _write_all(descriptor: int, data: memoryview, over_s: float) -> None:
    piece = max(1, len(data) // PIECES)
    while data:
        data = data[os.write(descriptor, data[:piece] if over_s else data) :]
        if over_s:
            time.sleep(over_s / PIECES)  # the memory is as slow as that
