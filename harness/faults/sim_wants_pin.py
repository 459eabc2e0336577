"""sim_wants_pin: the card asks for a PIN, and the device was told none."""

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
        ("sim_wants_pin",),
        "A device that guesses locks the card: it tries nothing, and goes on once the PIN is switched off in a "
        "telephone.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_blocked(evidence, "none is known")


def why_not(plan: Plan, values: Values) -> str | None:
    if plan.branch.sims[0].pin is not None:
        return "the device was told a PIN: a card that asks for another one is wrong_pin"
    return has_cellular(plan, values)


FAULT = Fault(
    name="sim_wants_pin",
    order=101,
    family="SIM and radio",
    title="SIM asks for a PIN",
    cause="The carrier delivered the card with its PIN switched on; staging knows of none.",
    strikes="wan_obtained",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=why_not,
)
