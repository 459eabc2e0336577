"""ok_instead_of_204: management answers the last report with 200."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import stop_at

STAGES = {"bootstrap-initiated": "checked_in", "bootstrap-complete": "configured"}


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "answer_report", kind=values["report"], status=200),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        STAGES[str(values["report"])],
        "ok_instead_of_204",
        "Anything but 204 to the first and to the last report is an error (RFC 8572 section 5.6): the device takes "
        "back what it had put in force, says bootstrap-error, and begins anew.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("management", "report.received", progress_type=values["report"], status=200)


FAULT = Fault(
    name="ok_instead_of_204",
    order=495,
    family="management",
    title="200 instead of 204",
    cause="A proxy, or a server of another make, answers progress reports with 200.",
    strikes="configured",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("report", "which report", "bootstrap-complete", ("bootstrap-initiated",)),),
)
