"""management_name_missing: the management server's name leads nowhere."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import needs_name, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("internet", "lose_name", name=plan.branch.bootstrap[0].address, answer=values["answer"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "online",
        "management_name_missing",
        "Packets get through and the time comes; but who was to be asked cannot be found (RFC 2308 section 2). The "
        "device asks again with each round.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    name = plan.branch.bootstrap[0].address
    answers = [
        *evidence.find_all("internet", "name.answered", name=name),
        *evidence.find_all("carrier", "name.answered", name=name),
    ]
    return next((s for s in answers if s.data.get("address") is None), None)


FAULT = Fault(
    name="management_name_missing",
    order=400,
    family="management",
    title="management's name missing",
    cause="The server's name was deleted, or its domain was not paid for.",
    strikes="online",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("answer", "what is answered", "no_such_name", ("no_address",)),),
    why_not=needs_name,
)
