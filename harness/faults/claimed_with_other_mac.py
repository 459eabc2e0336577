"""claimed_with_other_mac: management has another MAC address on record for the device."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_refused, stop_at

OTHER_MAC = "00:00:5e:00:53:f0"
"""RFC 7042 section 2.1.2: for documentation; of no site here."""


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "enter_otherwise", mac=OTHER_MAC),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "claimed_with_other_mac",
        "Serial number and hardware do not go together: it may be another device than was ordered, so management gives "
        "nothing (RFC 8040 section 7: 403, access-denied) and names both.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_refused(evidence, "expected MAC address")


FAULT = Fault(
    name="claimed_with_other_mac",
    order=450,
    family="management",
    title="claimed with another MAC",
    cause="A typing error in the list, or two devices swapped in their boxes.",
    strikes="checked_in",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
)
