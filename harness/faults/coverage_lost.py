"""coverage_lost: the cell is gone for a while."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import UNKNOWN, find_since_onset, is_cellular_first


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "lose_coverage"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=not is_cellular_first(plan),
        back_within_s=30.0,
        causes=("coverage_lost",),
        why="The modem notices after 20 s without a cell, searches, and attaches as soon as it hears one. "
        "Where there is a fixed line, nobody notices.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return next(iter(find_since_onset(evidence, "router", "registration.changed", stat=UNKNOWN)), None)


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["dark_s"])


FAULT = Fault(
    name="coverage_lost",
    order=111,
    family="SIM and radio",
    title="coverage lost in service",
    cause="A mast that lost its power or is being worked on, or a ship or lorry in the way.",
    strikes="service",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("dark_s", "s, longer than the modem needs to notice", 28.0, (40.0, 60.0)),),
    onset=IN_SERVICE,
    lasts_s=lasts_s,
    why_not=has_cellular,
)
