"""cuts_management: a new document in service hides the management server from the device; all else works."""

from __future__ import annotations

from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values
from harness.core.model import Plan
from harness.faults._configuration import find_roll_back, last_through_roll_back, serve_changed


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return serve_changed("shadowed_management")


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("cuts_management",),
        why="The tunnel stands and clients work, but nobody could ever change anything again: a device that does not "
        f"reach management within {plan.branch.confirm_s:g} s goes back to its last good document all the same.",
    )


FAULT = Fault(
    name="cuts_management",
    order=615,
    family="configuration",
    title="configuration cuts management",
    cause="A segment is given the network in which the management server is.",
    strikes="service",
    met="rare",
    doings=doings,
    expects=expects,
    shows=find_roll_back,
    onset=IN_SERVICE,
    lasts_s=last_through_roll_back,
)
