"""right_apn_last: staging put the APNs of other orders before the right one."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import is_cellular_first


def list_others(values: Values) -> list[str]:
    """Return names that no order has; the zone is one for examples (RFC 2606 section 2)."""
    return [f"fleet{number}.carrier.example" for number in range(1, int(values["others"]) + 1)]


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "stage_other_apns", names=list_others(values)),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=60.0,
        causes=("right_apn_last",),
        why="An unknown APN is refused for good (ESM cause 27): the device goes on to the next at once.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    others = list_others(values)
    refused = [s for s in evidence.find_all("carrier", "pdn.refused") if s.data.get("apn") in others]
    return refused[-1] if len({s.data.get("apn") for s in refused}) == len(others) else None


FAULT = Fault(
    name="right_apn_last",
    order=215,
    family="carrier path",
    title="right APN last",
    cause="One list of APNs for all carriers and contracts, and this order's stands at its end.",
    strikes="wan_obtained",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("others", "APNs of other orders before it", 4.0, (3.0, 8.0)),),
    why_not=is_cellular_first,
)
