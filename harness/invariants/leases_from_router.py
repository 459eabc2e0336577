"""leases_from_router: the router hands out the branch's addresses: it is the gateway that every lease names."""

from __future__ import annotations

from harness.checks._shared import find_router_address
from harness.core.entries import Check, Evidence, Example, Seen, hold, leave_open
from harness.core.model import Ask, Finding, Plan
from harness.core.sample import build_plan, saw
from harness.core.sections import Segment

NAME = "leases_from_router"


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    claim, expected = "clients get their addresses from the router", "every lease names the router as gateway"
    leases = [(s, segment) for segment in plan.branch.segments for s in _find_leases(evidence, segment)]
    if not leases:
        return (leave_open(NAME, claim, expected, "no client got any"),)
    own = {find_router_address(segment) for segment in plan.branch.segments}
    strange = [s for s, _ in leases if s.data.get("router") not in own]
    told = ", ".join(f"{s.observation.source} by {s.data.get('router')}" for s in strange)
    seen = f"led elsewhere: {told}" if strange else f"{len(leases)} leases, all of the router's"
    return (hold(NAME, not strange, claim, expected, seen, strange or [s for s, _ in leases[-1:]]),)


def _find_leases(evidence: Evidence, segment: Segment) -> list[Seen]:
    return [s for port in segment.ports for s in evidence.find_all(f"client{port}", "lease.obtained")]


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    return ()


INVARIANT = Check(
    name=NAME,
    order=70,
    title="Leases come from the router",
    after="hq_reached",
    why_not=lambda plan: None,
    judge=judge,
    timeout_s=5.0,
    actions=act,
)
_OWN = find_router_address(build_plan().branch.segments[0])
EXAMPLES = (
    Example("the router's", "PASS", (saw("client1", "lease.obtained", 40.0, address="10.20.10.100", router=_OWN),)),
    Example("nobody asked", "INCONCLUSIVE", ()),
    Example("a box's", "FAIL", (saw("client1", "lease.obtained", 40.0, address="192.0.2.66", router="192.0.2.1"),)),
)
