"""first_sim_dead: the first of two cards answers nothing."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import FIRST_SLOT, find_blocked

CARDS = 2


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "break_card", slot=FIRST_SLOT),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("first_sim_dead",),
        why="The device goes on to the second card at once, and stays there for as long as it serves.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_blocked(evidence, "does not answer")


def why_not(plan: Plan, values: Values) -> str | None:
    if len(plan.branch.sims) < CARDS:
        return "the branch has one card"
    return has_cellular(plan, values)


FAULT = Fault(
    name="first_sim_dead",
    order=114,
    family="SIM and radio",
    title="first SIM dead",
    cause="Corroded contacts, or a card that broke in its holder.",
    strikes="wan_obtained",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=why_not,
)
