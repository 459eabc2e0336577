"""allowance_used_up: the subscription's allowance is used up: the web leads to a portal, the rest is stopped."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import is_cellular_first


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "use_up_allowance"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=False,
        back_within_s=60.0,
        causes=("allowance_used_up",),
        why="Nobody but the portal is reached. The device takes it for no server of its own, and goes on trying.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_last("router", "portal.detected", by="http")


FAULT = Fault(
    name="allowance_used_up",
    order=240,
    family="carrier path",
    title="allowance used up",
    cause="The month's allowance of data is used up before the month is.",
    strikes="service",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    onset=IN_SERVICE,
    why_not=is_cellular_first,
)
