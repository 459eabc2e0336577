"""puk_locked: the PIN's tries were used up before the card came into the device."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import FIRST_SLOT, expect_no_card, find_blocked


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "lock_card", slot=FIRST_SLOT),)


def expects(plan: Plan, values: Values) -> Expectation:
    return expect_no_card(
        plan,
        ("puk_locked",),
        "Ten wrong PUKs kill the card (ETSI TS 102 221 clause 9.5): the device tries none, and goes on once the card "
        "was opened in a telephone.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_blocked(evidence, "asks for PUK")


FAULT = Fault(
    name="puk_locked",
    order=103,
    family="SIM and radio",
    title="SIM locked, asks for the PUK",
    cause="Somebody tried three wrong PINs, in a telephone or in another device.",
    strikes="wan_obtained",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_cellular,
)
