"""Causes on the carrier's path: APNs, packets on their way, names, allowance. Layer: diagnosis, data."""

from __future__ import annotations

from harness.diagnosis.rows import Cause, saw, stopped_at

CAUSES = (
    Cause(
        name="apn_unknown",
        title="the APN is unknown to the carrier",
        needs=(
            stopped_at("wan_obtained"),
            saw("the carrier refuses an APN as unknown (ESM cause 27)", "carrier", "pdn.refused", weight=3, cause=27),
        ),
        tell_apart="ESM cause 33 would say that the APN exists but is not of this subscription; 29, wrong credentials.",
        at_bench="Compare the profile's APN list with the carrier's order, letter by letter.",
        at_site="Nothing: the carrier adds the APN to the subscription, or the device is staged anew.",
        sentence="The mobile network does not know this device's setting yet; leave it switched on, we are on it.",
    ),
)
