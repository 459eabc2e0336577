"""What is wrong with the order for the SIM: its APNs. Layer: stand-in.

An order that changes while the device is attached tells it nothing: the next request meets the new one.
"""

from __future__ import annotations

import secrets
from dataclasses import replace
from typing import TYPE_CHECKING

from emulators.carrier.machine import ApnRecord, Credentials, Subscriber
from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.carrier.main import CarrierProcess

DEFAULT_MTU_BYTES = 1358  # TS 23.060 clause 9.3

PASSWORD_BYTES = 12


def demand(order: Subscriber, names: tuple[str, ...], method: str) -> Subscriber:
    """Return the order with these APNs alone, each of them with credentials that nobody was told."""
    mtu = order.apns[0].mtu if order.apns else DEFAULT_MTU_BYTES
    unknown = Credentials(method, "line", secrets.token_urlsafe(PASSWORD_BYTES))
    return replace(order, apns=tuple(ApnRecord(name, unknown, mtu) for name in names))


def change_credentials(order: Subscriber, part: str) -> Subscriber:
    """Return the order with another user, or another password, for each APN that has credentials."""
    changed = {part: secrets.token_urlsafe(PASSWORD_BYTES)}
    return replace(order, apns=tuple(replace(a, auth=replace(a.auth, **changed)) if a.auth else a for a in order.apns))


def offer(carrier: CarrierProcess) -> dict[str, Impair]:
    def forget_apns() -> Mend:
        """The core knows none of the subscription's APNs."""
        return carrier.change_subscribers(lambda s: replace(s, apns=()))

    def demand_credentials(names: list[str], method: str) -> Mend:
        """The order's APNs are these, and want credentials."""
        return carrier.change_subscribers(lambda s: demand(s, tuple(names), method))

    def other_credentials(part: str) -> Mend:
        """The order has another ``user``, or another ``password``."""
        return carrier.change_subscribers(lambda s: change_credentials(s, part))

    return {
        "forget_apns": forget_apns,
        "demand_credentials": demand_credentials,
        "other_credentials": other_credentials,
    }
