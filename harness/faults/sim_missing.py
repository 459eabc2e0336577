"""sim_missing: there is no card in the slot."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import FIRST_SLOT, expect_no_card, find_blocked


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "take_out_card", slot=FIRST_SLOT),)


def expects(plan: Plan, values: Values) -> Expectation:
    return expect_no_card(
        plan,
        ("sim_missing",),
        "No card, so no network; the device looks for one every few seconds, and takes it as soon as it is there.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_blocked(evidence, "no SIM")


FAULT = Fault(
    name="sim_missing",
    order=100,
    family="SIM and radio",
    title="SIM missing",
    cause="The card was never put in, lies askew in its slot, or somebody took it.",
    strikes="wan_obtained",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_cellular,
)
