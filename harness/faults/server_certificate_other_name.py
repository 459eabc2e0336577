"""server_certificate_other_name: the management server's certificate is for another name."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_said, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "show_certificate", which=values["bears"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "server_certificate_other_name",
        "The name that was asked for is not among the certificate's names (RFC 9525 section 6): it may be anybody's. A "
        "Common Name is none of them (section 2).",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_said(evidence, r"verify error 6[24]\)")


FAULT = Fault(
    name="server_certificate_other_name",
    order=330,
    family="time and trust",
    title="server certificate for another name",
    cause="The server moved, or got a certificate that was ordered for another name.",
    strikes="checked_in",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("bears", "what name it bears", "other_name", ("name_as_text",)),),
)
