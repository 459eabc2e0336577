"""management_busy: the management server is busy for a while, and says when to come again."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Onset, Parameter, Values, impair
from harness.core.model import Plan


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "be_busy", retry_after_s=values["retry_after_s"], form=values["form"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=None,
        back_within_s=60.0 + float(values["retry_after_s"]),
        causes=("management_busy",),
        why=(
            "The device comes again when it was told to (RFC 9110 section 10.2.3), no sooner and not much later: late, "
            "but in time. Being back takes one more such wait, and the rest of the bring-up with its upgrade."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "bootstrap.progressed", step="deferred")


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["busy_s"])


FAULT = Fault(
    name="management_busy",
    order=430,
    family="management",
    title="management busy",
    cause="All branches start at once after a power cut of the region, or the server was just started.",
    strikes="checked_in",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(
        Parameter("busy_s", "s", 12.0, (20.0,)),
        Parameter("retry_after_s", "s", 5.0, (2.0, 10.0)),
        Parameter("form", "of Retry-After", "seconds", ("date",)),
    ),
    onset=Onset("wan_obtained"),
    lasts_s=lasts_s,
)
