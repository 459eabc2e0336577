"""Where the clients of each watched segment can exchange bytes, in clear, with another place. Layer: core, pure."""

from __future__ import annotations

from dataclasses import dataclass

from emulators.common.controls import ANY
from harness.core.model import Plan
from harness.core.sections import Segment

EXCHANGE_PORT = 8079
"""Where the bench exchanges test bodies, if everything may be opened there. Our choice, above the system ports."""
TAKEN = frozenset({22, 25, 53, 80, 443, 514, 601, 853, 6514})
"""Ports of services that the bench's nodes have for something else."""
INTERNET = "198.18.0.1"  # DEVELOPERS.md, "Links"
HQ_NODE, INTERNET_NODE = "hq-endpoint", "internet"


@dataclass(frozen=True, slots=True)
class Way:
    """A watched segment's clients may open `port` at `address`, which is `node`'s."""

    segment: Segment
    node: str
    address: str
    port: int
    everything: bool
    """Whether the matrix opens every port there."""


def list_ways(plan: Plan) -> tuple[Way, ...]:
    """Return one way for each watched segment that has any: to headquarters before the internet."""
    threats = plan.branch.threats
    watched = threats.segments if threats else ()
    ways = (find_way(plan, segment) for segment in plan.branch.segments if segment.name in watched)
    return tuple(way for way in ways if way is not None)


def find_way(plan: Plan, segment: Segment) -> Way | None:
    """Return a segment's way, or None where it may send nothing anywhere, or to names only."""
    for place, node, address in (
        ("hq", HQ_NODE, plan.branch.acceptance.ping_target),
        ("internet", INTERNET_NODE, INTERNET),
    ):
        opened = {service for row in segment.reach if row.to == place for service in row.open}
        if place == "internet":
            opened = _screen(plan, segment, opened)
        if ANY in opened:
            return Way(segment, node, address, EXCHANGE_PORT, everything=True)
        ports = sorted(int(s.removeprefix("tcp/")) for s in opened if s.startswith("tcp/"))
        port = next((port for port in ports if port not in TAKEN), None)
        if port is not None:
            return Way(segment, node, address, port, everything=False)
    return None


def _screen(plan: Plan, segment: Segment, opened: set[str]) -> set[str]:
    """Return what the application firewall leaves open, by port alone, of what the matrix opens on the internet."""
    control = plan.branch.applications
    if control is None or segment.name not in control.segments:
        return opened
    by_port = {service for application in control.allowed if application.by == "port" for service in application.open}
    return by_port if ANY in opened else by_port & opened


def list_ports(plan: Plan, node: str) -> tuple[int, ...]:
    """Return the ports at which a node must exchange bodies."""
    return tuple(sorted({way.port for way in list_ways(plan) if way.node == node}))
