"""The carrier's records told anew while it runs, and how the branch stands here. Layer: stand-in.

Verbs: ``subscribers {subscribers}`` (as in the seed) puts other subscriptions on record: a device that is attached
keeps what it was granted, the next request meets the new ones. ``standing`` says whether a bearer stands.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from emulators.carrier.machine import Subscriber
from emulators.common.record import from_json
from emulators.common.service import Handler

if TYPE_CHECKING:
    from emulators.carrier.main import CarrierProcess


def build_orders(carrier: CarrierProcess) -> dict[str, Handler]:
    """Return the handlers."""

    def put_subscribers(subscribers: list[dict[str, Any]]) -> dict[str, int]:
        """Raises: RecordError."""
        read = {s.imsi: s for s in (from_json(Subscriber, entry) for entry in subscribers)}
        carrier.change_record(read)
        return {"subscribers": len(read)}

    return {"subscribers": put_subscribers, "standing": lambda: {"granted": carrier.has_bearer()}}
