"""What several checks ask of plan and evidence. Layer: checks, pure."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable

from harness.core.entries import Evidence
from harness.core.model import Ask, Plan
from harness.core.sections import Segment
from harness.stages._shared import ask_lease, find_client, find_segment_network, label_lease

HQ = "hq-endpoint"


def list_clients(plan: Plan) -> tuple[tuple[str, Segment], ...]:
    """Return each segment that has a client, with it."""
    pairs = ((find_client(s), s) for s in plan.branch.segments)
    return tuple((client, segment) for client, segment in pairs if client is not None)


def find_router_address(segment: Segment) -> str:
    """Return the router's own address in a segment."""
    return str(ipaddress.ip_interface(segment.address).ip)


def find_address_for_hq(plan: Plan) -> str | None:
    """Return the router's address that HQ can reach through the tunnel: the first segment's that lies in a selector."""
    selectors = [ipaddress.ip_network(n) for n in plan.branch.tunnel.local_subnets]
    for segment in plan.branch.segments:
        network = ipaddress.ip_network(find_segment_network(segment))
        if any(network.version == s.version and network.subnet_of(s) for s in selectors):  # type: ignore[arg-type]
            return find_router_address(segment)
    return None


def is_awaited(evidence: Evidence, asks: Iterable[Ask]) -> bool:
    """Say whether one of the asks has no answer yet."""
    return any(evidence.find_answer(ask.label) is None for ask in asks)


def ask_after_lease(evidence: Evidence, client: str, asks: Iterable[Ask]) -> tuple[Ask, ...]:
    """Return the client's lease to be asked for if nobody did, else the asks, if it has one."""
    lease = evidence.find_answer(label_lease(client))
    if lease is None:
        return (ask_lease(client),)
    return tuple(asks) if lease.ok else ()
