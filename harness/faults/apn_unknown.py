"""apn_unknown: the carrier knows none of the APNs that the device was told."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import is_cellular_first

ESM_UNKNOWN_APN = 27  # Missing or unknown APN: TS 24.301 Annex B


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "forget_apns"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="wan_obtained",
        serves=False,
        back_within_s=60.0,
        causes=("apn_unknown",),
        why="No address, so nothing after it. The device goes through its list again, more and more slowly.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("carrier", "pdn.refused", cause=ESM_UNKNOWN_APN)


FAULT = Fault(
    name="apn_unknown",
    order=200,
    family="carrier path",
    title="APN unknown",
    cause="The order at the carrier names another APN than staging did, or a typing error in either.",
    strikes="wan_obtained",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=is_cellular_first,
)
