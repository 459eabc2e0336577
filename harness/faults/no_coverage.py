"""no_coverage: no cell is heard at the site."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import UNKNOWN, expect_no_cellular


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "lose_coverage"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return expect_no_cellular(
        plan,
        ("no_coverage",),
        "The modem searches all the time, and attaches as soon as it hears a cell.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "registration.changed", stat=UNKNOWN)


FAULT = Fault(
    name="no_coverage",
    order=108,
    family="SIM and radio",
    title="no coverage",
    cause="A site behind a hill or in a cellar, a mast that is down, or both antennas off.",
    strikes="wan_obtained",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_cellular,
)
