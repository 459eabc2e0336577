"""management_hangs: the management server takes a request and never answers."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_said, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "hang", at=values["at"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "management_hangs",
        "The device waits as long as one waits over a mobile link, gives up the connection, and comes again on a new "
        "one: a server that is stuck must not hold it for ever.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_said(evidence, r"timeout: .*read operation timed out")


FAULT = Fault(
    name="management_hangs",
    order=420,
    family="management",
    title="management hangs",
    cause="The management server's process is stuck: it takes requests, and answers none.",
    strikes="checked_in",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("at", "which request", "data", ("report",)),),
)
