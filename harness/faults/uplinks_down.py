"""uplinks_down: every way out of the branch is dead for a while, as after a storm, and comes back."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan

CUTS = {"cellular": ("carrier", "lose_backhaul"), "ethernet": ("internet", "lose_line")}


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return tuple(impair(*CUTS[uplink]) for uplink in plan.branch.uplinks)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=False,
        back_within_s=60.0,
        causes=("uplinks_down",),
        why="Nothing can be done but to go on trying, with pauses that do not grow beyond bounds: however long it was, "
        "the branch is back soon after.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_last("router", "tunnel.down")


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["dark_s"])


FAULT = Fault(
    name="uplinks_down",
    order=820,
    family="site",
    title="all uplinks down",
    cause="A storm takes the mains of the provider's cabinet and of the mast.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("dark_s", "s", 600.0, (120.0, 300.0)),),
    onset=IN_SERVICE,
    lasts_s=lasts_s,
)
