"""gateway_down: the gateway at HQ falls silent while the branch is in service, and comes back."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import CLIENT_S, LONGEST_GAP_S


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("hq-gateway", "fall_silent"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=False,
        back_within_s=LONGEST_GAP_S + CLIENT_S,
        causes=("gateway_down",),
        why="Management is still heard: the device is well, and tries HQ again by itself.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_last("router", "tunnel.down")


FAULT = Fault(
    name="gateway_down",
    order=700,
    family="tunnel and HQ",
    title="gateway down",
    cause="The gateway at HQ lost its power, its line, or its mind.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    onset=IN_SERVICE,
)
