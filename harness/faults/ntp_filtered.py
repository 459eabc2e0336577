"""ntp_filtered: no time server answers, or none that has the time."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("internet", "lose_time", how=values["how"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "online",
        "ntp_filtered",
        "Without the time no certificate can be judged (RFC 5280 section 6.1.3 (a)(2)). RFC 8572 section 9.1 would let "
        "a device without a clock take certificates for ever valid; a good one waits instead: it is about to believe "
        "whatever its server says, and its tunnel and logs need the time anyway. First expected a stop at checked_in; "
        "but a branch counts as online only once its clock is right.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    failed = evidence.find_all("router", "clock.failed")
    return next((s for s in failed if s.data.get("address") is not None), None)


FAULT = Fault(
    name="ntp_filtered",
    order=310,
    family="time and trust",
    title="no time server answers",
    cause="A carrier, provider or firewall lets no NTP through, or the time servers are unwell.",
    strikes="online",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("how", "what becomes of questions", "dropped", ("refused", "unsynchronised")),),
)
