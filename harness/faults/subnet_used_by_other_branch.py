"""subnet_used_by_other_branch: another branch comes up with this one's networks behind it."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import OTHER_BRANCH


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("hq-gateway", "share_networks", address=OTHER_BRANCH),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=False,
        back_within_s=20.0,
        causes=("subnet_used_by_other_branch",),
        why=(
            "The tunnel stands and what the branch sends arrives; answers go to the branch that came last. The device"
            " cannot mend that: to come up anew would only take the networks back, and so on for ever."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    own = plan.branch.tunnel.local_id
    children = evidence.find_all("hq-gateway", "child.installed")
    return next((c for c in children if c.data.get("peer") not in (None, own)), None)


FAULT = Fault(
    name="subnet_used_by_other_branch",
    order=730,
    family="tunnel and HQ",
    title="networks used by another branch",
    cause="A new site was set up from a copy of this one, and its networks were not changed.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    onset=IN_SERVICE,
)
