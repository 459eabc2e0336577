"""bound_to_other_profile: management has the device for another profile than it serves."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_refused, stop_at

OTHER_PROFILE = "ferry-deck"


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "enter_otherwise", profile=OTHER_PROFILE),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "bound_to_other_profile",
        "A branch must not get another kind of branch's configuration: management gives none (RFC 8040 section 7: 403, "
        "access-denied) and names both.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_refused(evidence, "expected profile")


def why_not(plan: Plan, values: Values) -> str | None:
    return "the branch is of that very profile" if plan.branch.profile == OTHER_PROFILE else None


FAULT = Fault(
    name="bound_to_other_profile",
    order=460,
    family="management",
    title="bound to another profile",
    cause="In the inventory the device is bound to another kind of branch.",
    strikes="checked_in",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=why_not,
)
