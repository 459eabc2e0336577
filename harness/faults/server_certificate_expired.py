"""server_certificate_expired: the management server's certificate is past its end."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_said, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "show_certificate", which=values["ended"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "server_certificate_expired",
        "A certificate past its end is refused (RFC 5280 section 6.1.3 (a)(2)), and the server is told (RFC 8446 "
        "section 6.2, certificate_expired). The device tells a server that it does not trust nothing, and comes again.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_said(evidence, r"verify error 10\)")


FAULT = Fault(
    name="server_certificate_expired",
    order=320,
    family="time and trust",
    title="server certificate expired",
    cause="Nobody renewed the management server's certificate in time.",
    strikes="checked_in",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("ended", "when it ended", "ended_yesterday", ("ended_last_year",)),),
)
