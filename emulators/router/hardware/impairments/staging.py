"""Staged with more APNs than its own order's. Layer: hardware, file I/O."""

from __future__ import annotations

from emulators.common.impair import Impair, Mend
from emulators.router.hardware.facts import Hardware
from emulators.router.hardware.staging import FACT, settle_staging


def offer(hardware: Hardware) -> dict[str, Impair]:
    def stage_other_apns(names: list[str]) -> Mend:
        """Have these before its own, from its next start on; ending it is staging it anew."""
        hardware.set(FACT, names)
        settle_staging(hardware.root)

        def stage_anew() -> None:
            hardware.set(FACT, None)
            settle_staging(hardware.root, tuple(names))

        return stage_anew

    return {"stage_other_apns": stage_other_apns}
