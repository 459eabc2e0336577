"""redirect_loop: the server sends the device round in a circle."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_said, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    first = plan.branch.bootstrap[0]
    return (impair("management", "redirect_round", address=first.address, port=first.port, by=values["by"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "redirect_loop",
        "The device follows ten redirects in a row (RFC 8572 section 5.3), then gives this round up and pauses: so it "
        "does no harm to the server, and finds the way once it is right.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_said(evidence, r"redirects in a row", step="refused")


FAULT = Fault(
    name="redirect_loop",
    order=480,
    family="management",
    title="redirects in a circle",
    cause="Two servers send devices to one another, or one to itself.",
    strikes="checked_in",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("by", "by way of", "itself", ("second",)),),
)
