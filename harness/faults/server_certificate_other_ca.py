"""server_certificate_other_ca: nobody whom the device trusts answers for the management server's certificate."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_said, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "show_certificate", which=values["issuer"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "server_certificate_other_ca",
        "The chain ends at no anchor that the device was given (RFC 5280 section 6.1; RFC 8572 section 5.3): it may be "
        "anybody who sits on the way, so the device says nothing and takes nothing.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_said(evidence, r"verify error (18|19|20|21)\)")


FAULT = Fault(
    name="server_certificate_other_ca",
    order=340,
    family="time and trust",
    title="server certificate of another authority",
    cause="The server's certificate was changed to another authority's, or something on the way opens TLS.",
    strikes="checked_in",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("issuer", "who issued it", "other_ca", ("self_signed",)),),
)
