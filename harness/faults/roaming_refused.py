"""roaming_refused: the only network in reach is another's, and does not let the card in."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import expect_no_cellular

VISITED = "001-02"  # another network of the test country: TS 23.003 Annex A names MCC 001 for tests (from memory)
# Roaming not allowed in this tracking area; EPS services not allowed in this PLMN; no suitable cells: TS 24.301 Annex A
CAUSES = (13.0, 14.0, 15.0)


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "visit", plmn=VISITED, cause=values["cause"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return expect_no_cellular(
        plan,
        ("roaming_refused",),
        "Refused by a network with which nothing is agreed; the lists of forbidden areas are erased when the radio is "
        "switched off, which the device does now and then. (Cause 11 is left out: that network stays forbidden on the "
        "card, TS 23.122 clause 3.1, until somebody chooses it by hand.)",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("carrier", "attach.refused", cause=int(float(values["cause"])))


FAULT = Fault(
    name="roaming_refused",
    order=106,
    family="SIM and radio",
    title="roaming refused",
    cause="A site at a border or on an island, where the own network's cell fell silent or never was.",
    strikes="wan_obtained",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("cause", "EMM cause", CAUSES[0], CAUSES[1:]),),
    why_not=has_cellular,
)
