"""carrier_dns_portal: the carrier's resolver answers every name with the address of a portal."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._carrier_path import asks_carrier


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "answer_with_portal"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="online",
        serves=False,
        back_within_s=120.0,
        causes=("carrier_dns_portal",),
        why="Every name leads to the portal, which tells no time and is no bootstrap server.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "portal.detected", by="names")


FAULT = Fault(
    name="carrier_dns_portal",
    order=235,
    family="carrier path",
    title="carrier's names lead to a portal",
    cause="The subscription is not activated: until somebody signs in, every name leads to the carrier's portal.",
    strikes="online",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=asks_carrier,
)
