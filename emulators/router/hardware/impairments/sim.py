"""What is wrong with a SIM card in its slot. Layer: stand-in. The modem follows these facts (router/modem/tray.py)."""

from __future__ import annotations

from emulators.common.impair import Impair, Mend
from emulators.router.hardware.facts import Hardware


def offer(hardware: Hardware) -> dict[str, Impair]:
    def set_fact(name: str, slot: float) -> Mend:
        hardware.set(name, int(slot))
        return lambda: hardware.set(name, None)

    return {
        "take_out_card": lambda slot: set_fact("card_missing", slot),
        "break_card": lambda slot: set_fact("card_broken", slot),
        "change_pin": lambda slot: set_fact("card_pin", slot),
        "lock_card": lambda slot: set_fact("card_locked", slot),
    }
