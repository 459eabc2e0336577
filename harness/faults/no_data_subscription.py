"""no_data_subscription: the subscription has no data service."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import expect_no_cellular

EMM_NO_EPS = 7  # EPS services not allowed: TS 24.301 Annex A


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "bar_data"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return expect_no_cellular(
        plan,
        ("no_data_subscription",),
        "Refused for good (EMM cause 7): as with a card that is not activated, the radio is switched off and "
        "on now and then.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("carrier", "attach.refused", cause=EMM_NO_EPS)


FAULT = Fault(
    name="no_data_subscription",
    order=105,
    family="SIM and radio",
    title="no data subscription",
    cause="The card was ordered for calls and messages, or its data option ran out.",
    strikes="wan_obtained",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_cellular,
)
