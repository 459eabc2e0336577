"""What is wrong with the router's hardware just now, kept where no power cut reaches it. Layer: hardware, file I/O.

No part of the device's own flash: the bench writes it, the stand-ins of the hardware (loader, board, modem) read it.
The firmware never does.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

NAME = "hardware.json"


class Hardware:
    """Facts by name. Written whole, so that a reader sees the old ones or the new ones."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._path = root / NAME

    def load(self) -> dict[str, Any]:
        """Return all facts; none where nothing was ever said."""
        try:
            facts: dict[str, Any] = json.loads(self._path.read_bytes())
        except FileNotFoundError:
            return {}
        return facts

    def set(self, name: str, value: Any) -> None:
        """Set one fact; None takes it away."""
        facts = {**self.load(), name: value}
        if value is None:
            del facts[name]
        fresh = self._path.with_suffix(".new")
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w") as file:
            json.dump(facts, file)
        fresh.replace(self._path)
