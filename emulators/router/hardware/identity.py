"""The device's identity in its secure element: own, or one whose time is over. Layer: hardware, file I/O.

The firmware knows it by ``device.json``, where the factory wrote it; the identities there are to choose from are on the
board (``board.json``).
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from emulators.router.hardware.facts import Hardware

FACT = "identity"
OWN = "own"


def settle_identity(root: Path) -> None:
    """Make the device's identity what the facts say. Does nothing where the device was never staged."""
    board_file, device_file = root / "board.json", root / "device.json"
    if not board_file.exists():
        return
    identities: dict[str, Any] = json.loads(board_file.read_bytes())["settings"].get("identities", {})
    chosen = identities.get(Hardware(root).load().get(FACT, OWN))
    device: dict[str, Any] = json.loads(device_file.read_bytes())
    if chosen is None or device["identity"] == device["identity"] | chosen:
        return
    device["identity"] |= chosen
    fresh = device_file.with_suffix(".fresh")
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w") as file:
        json.dump(device, file, sort_keys=True)
    fresh.replace(device_file)
