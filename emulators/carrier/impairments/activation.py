"""What is wrong with the subscription itself: it is not on record, or has no data service. Layer: stand-in."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.carrier.machine import Carrier, Output, Subscriber
    from emulators.carrier.main import CarrierProcess


def offer(carrier: CarrierProcess) -> dict[str, Impair]:
    def forget_subscribers() -> Mend:
        """The cards were never activated: the subscriber database knows no such IMSI."""
        before: dict[str, Subscriber] = {}

        def forget(core: Carrier) -> list[Output]:
            before.update(core.subscribers)
            core.subscribers = {}
            return []

        carrier.order(forget)
        return lambda: carrier.change_record(before)

    def bar_data() -> Mend:
        """The subscriptions are for calls and short messages only."""
        return carrier.change_subscribers(lambda s: replace(s, active=False))

    return {"forget_subscribers": forget_subscribers, "bar_data": bar_data}
