"""sim_not_activated: the carrier's subscriber database does not know the card."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import expect_no_cellular

EMM_UNKNOWN = (
    8  # EPS and non-EPS services not allowed: TS 24.301 Annex A; for an unknown user TS 29.272 Annex A (memory)
)


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "forget_subscribers"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return expect_no_cellular(
        plan,
        ("sim_not_activated",),
        "Refused for good (EMM cause 8), so the modem keeps still until its radio is switched off and on: the "
        "device does that now and then, and is in once the card is active.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("carrier", "attach.refused", cause=EMM_UNKNOWN)


FAULT = Fault(
    name="sim_not_activated",
    order=104,
    family="SIM and radio",
    title="SIM not activated",
    cause="The order for the card was never completed, or the card was swapped and the old one activated.",
    strikes="wan_obtained",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_cellular,
)
