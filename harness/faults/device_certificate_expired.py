"""device_certificate_expired: the device's own certificate is past its end."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_refused, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "wear_identity", which=values["ended"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "device_certificate_expired",
        "The server cannot tell who asks, and ends the handshake (RFC 8446 section 6.2, certificate_expired). Once the "
        "certificate is renewed, the next connection shows the new one: nobody need restart the device.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_refused(evidence, "client certificate: certificate has expired")


FAULT = Fault(
    name="device_certificate_expired",
    order=350,
    family="time and trust",
    title="device certificate expired",
    cause="The device's identity was issued with an end, and lay in the stores too long.",
    strikes="checked_in",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("ended", "when it ended", "ended_yesterday", ("ended_last_year",)),),
)
