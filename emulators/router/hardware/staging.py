"""What staging wrote into the device beside what it was to write: APNs of other orders. Layer: hardware, file I/O.

The firmware knows its list by ``device.json``. Those that do not belong there stand before those that do.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from emulators.router.hardware.facts import Hardware

FACT = "other_apns"


def settle_staging(root: Path, gone: tuple[str, ...] = ()) -> None:
    """Put the APNs that the facts name at the head of each card's list, and take those `gone` out of it. Does nothing
    where the device was never staged."""
    device_file = root / "device.json"
    if not device_file.exists():
        return
    others = tuple(Hardware(root).load().get(FACT, ()))
    device: dict[str, Any] = json.loads(device_file.read_bytes())
    for sim in device["first_boot"]["sims"]:
        sim["apns"] = mix_apns(sim["apns"], others, gone)
    fresh = device_file.with_suffix(".fresh")
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w") as file:
        json.dump(device, file, sort_keys=True)
    fresh.replace(device_file)


def mix_apns(listed: list[dict[str, Any]], others: tuple[str, ...], gone: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return the list with the others before it, each once."""
    own = [apn for apn in listed if apn["name"] not in (*others, *gone)]
    return [{"name": name, "auth": None} for name in others] + own
