"""malformed_reply: management's answer cannot be read."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "garble", how=values["how"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "malformed_reply",
        "What is not wholly understood is not used. The device says parsing-error (RFC 8572 section 5.6) and retries.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("management", "report.received", progress_type="parsing-error")


FAULT = Fault(
    name="malformed_reply",
    order=490,
    family="management",
    title="malformed reply",
    cause="A maintenance page, a proxy or a new release of the server sends what is no bootstrapping data.",
    strikes="checked_in",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("how", "what comes", "cut_short", ("page", "no_member", "broken_artifact")),),
)
