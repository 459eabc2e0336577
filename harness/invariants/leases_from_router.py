"""leases_from_router: the router hands out the branch's addresses: every lease names it as the gateway, and none that a
fault had a client ask for was asked for in vain."""

from __future__ import annotations

from dataclasses import replace

from harness.checks._shared import find_router_address
from harness.core.entries import Check, Evidence, Example, Seen, hold, leave_open
from harness.core.faults import BENCH, find_vain_leases
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.sections import Segment

NAME = "leases_from_router"


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    claim, expected = "clients get their addresses from the router", "a lease for who asks, the router as its gateway"
    leases = [(s, segment) for segment in plan.branch.segments for s in _find_leases(evidence, segment)]
    clients = [f"client{port}" for segment in plan.branch.segments for port in segment.ports]
    vain = [s for client in clients for s in find_vain_leases(evidence, client)]
    if not leases and not vain:
        return (leave_open(NAME, claim, expected, "no client got any"),)
    own = {find_router_address(segment) for segment in plan.branch.segments}
    strange = [s for s, _ in leases if s.data.get("router") not in own]
    told = [f"{s.observation.source} led elsewhere, by {s.data.get('router')}" for s in strange]
    told += [f"{s.observation.source} asked, and got none" for s in vain]
    seen = "; ".join(told) or f"{len(leases)} leases, all of the router's"
    return (hold(NAME, not told, claim, expected, seen, [*strange, *vain] or [s for s, _ in leases[-1:]]),)


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


def _get_none(label: str) -> Observation:
    silence = {"verb": "lease", "ok": False, "error": "LeaseError: lan1: no DHCP lease within 20.0 s"}
    seen = answered("client1", label, 41.0, {})
    return replace(seen, data={**seen.data, **silence})


_OWN = find_router_address(build_plan().branch.segments[0])
EXAMPLES = (
    Example("the router's", "PASS", (saw("client1", "lease.obtained", 40.0, address="10.20.10.100", router=_OWN),)),
    Example("nobody asked", "INCONCLUSIVE", ()),
    Example(
        "none for who was had to ask",
        "FAIL",
        (saw("client1", "lease.obtained", 40.0, address="10.20.10.100", router=_OWN), _get_none(f"{BENCH}on.0.1")),
    ),
    Example(
        "none in a look at a branch that may be down",
        "PASS",
        (saw("client1", "lease.obtained", 40.0, address="10.20.10.100", router=_OWN), _get_none(f"{BENCH}look.1")),
    ),
    Example("a box's", "FAIL", (saw("client1", "lease.obtained", 40.0, address="192.0.2.66", router="192.0.2.1"),)),
)
