"""What is wrong with the order for the SIM: its APNs. Layer: stand-in.

An order that changes while the device is attached tells it nothing: the next request meets the new one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.carrier.main import CarrierProcess


def offer(carrier: CarrierProcess) -> dict[str, Impair]:
    def forget_apns() -> Mend:
        """The core knows none of the subscription's APNs."""
        return carrier.change_subscribers(lambda s: replace(s, apns=()))

    return {"forget_apns": forget_apns}
