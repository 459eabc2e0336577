"""cuts_own_uplink: a new document in service leaves the device no way out at all."""

from __future__ import annotations

from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values
from harness.core.model import Plan
from harness.faults._configuration import find_roll_back, last_through_roll_back, serve_changed


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return serve_changed("all_to_hq")


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("cuts_own_uplink",),
        why=f"Management is not reached over the new document within {plan.branch.confirm_s:g} s: the device goes back "
        "to its last good one, and does not try that document again: it serves while the document is still there.",
    )


FAULT = Fault(
    name="cuts_own_uplink",
    order=610,
    family="configuration",
    title="configuration cuts its own uplink",
    cause="All networks are to go through the tunnel: what builds the tunnel, and names and management with it.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=find_roll_back,
    onset=IN_SERVICE,
    lasts_s=last_through_roll_back,
)
