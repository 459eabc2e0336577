"""The clock without a battery: what it shows when power comes on. Layer: hardware, file I/O."""

from __future__ import annotations

from datetime import datetime

from emulators.common.impair import Impair, Mend
from emulators.router.hardware.facts import Hardware

FACT = "clock_at_power_on"


def offer(hardware: Hardware) -> dict[str, Impair]:
    def show_time(shows: str) -> Mend:
        """Show the instant `shows` (RFC 3339) at the next power-on. Raises: ValueError."""
        datetime.fromisoformat(shows)
        hardware.set(FACT, shows)
        return lambda: hardware.set(FACT, None)

    return {"show_time": show_time}
