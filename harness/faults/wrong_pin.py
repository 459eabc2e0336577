"""wrong_pin: the card has another PIN than the device was told."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import FIRST_SLOT, expect_no_card, find_blocked


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "change_pin", slot=FIRST_SLOT),)


def expects(plan: Plan, values: Values) -> Expectation:
    return expect_no_card(
        plan,
        ("wrong_pin",),
        "The PIN is tried once, with all three tries left, and never again: two are left for whoever knows it. The "
        "device goes on once the PIN is switched off in a telephone.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_blocked(evidence, "PIN refused")


def why_not(plan: Plan, values: Values) -> str | None:
    if plan.branch.sims[0].pin is None:
        return "the device was told no PIN: a card that asks for one is sim_wants_pin"
    return has_cellular(plan, values)


FAULT = Fault(
    name="wrong_pin",
    order=102,
    family="SIM and radio",
    title="wrong PIN",
    cause="A typing error at staging, or cards of two sites that were mixed up.",
    strikes="wan_obtained",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=why_not,
)
