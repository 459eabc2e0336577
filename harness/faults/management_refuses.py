"""management_refuses: nobody listens at the management server, or a firewall lets nobody in."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_said, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "refuse", how=values["how"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "management_refuses",
        "A refused connection is told at once (RFC 9293 section 3.10.7.1): the device goes round its servers for ever "
        "(RFC 8572 section 5.2), more and more slowly.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_said(evidence, r"connect: (ConnectionRefusedError|OSError: .*(No route to host|unreachable))")


FAULT = Fault(
    name="management_refuses",
    order=410,
    family="management",
    title="management refuses connections",
    cause="The management server's process ended, or a firewall before it was changed.",
    strikes="checked_in",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("how", "how it is refused", "nobody_listens", ("prohibited",)),),
)
