"""The device's certificate: one whose time is over. Layer: hardware, file I/O."""

from __future__ import annotations

from emulators.common.impair import Impair, Mend
from emulators.router.hardware.facts import Hardware
from emulators.router.hardware.identity import FACT, settle_identity


def offer(hardware: Hardware) -> dict[str, Impair]:
    def settle(which: str | None) -> None:
        hardware.set(FACT, which)
        settle_identity(hardware.root)

    def wear_identity(which: str) -> Mend:
        """Be known by another of the board's identities; ending it is the renewal of the certificate."""
        settle(which)
        return lambda: settle(None)

    return {"wear_identity": wear_identity}
