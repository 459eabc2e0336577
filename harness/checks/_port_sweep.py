"""Who sweeps for open ports, at what, and which ports (nothing_else_open). Layer: checks, pure."""

from __future__ import annotations

from dataclasses import dataclass

from harness.checks import monitoring
from harness.checks._matrix_cells import list_services
from harness.checks._shared import HQ, find_address_for_hq, find_router_address
from harness.checks._vantages import (
    Spot,
    find_lease,
    find_wan,
    is_in_tunnel,
    is_wide_open,
    list_all_clients,
    list_router_addresses,
    list_spots,
    read_file,
)
from harness.checks.administration_from_hq_only import SNMP
from harness.core.entries import Evidence
from harness.core.model import Plan
from harness.core.sections import Segment

NAME = "nothing_else_open"
SYSTEM_PORTS = (1, 1023)  # RFC 6335 section 6
ATTACKED = (
    1080, 1194, 1433, 1521, 1701, 1723, 1883, 1900, 2049, 2222, 2323, 2375, 3000, 3128, 3306, 3389, 4444, 4786, 5000,
    5060, 5432, 5555, 5601, 5900, 5985, 6379, 6443, 7001, 7547, 8000, 8008, 8080, 8081, 8443, 8888, 9000, 9090, 9100,
    9200, 10000, 11211, 27017, 32764, 37215, 47808, 49152, 52869,
)  # fmt: skip
"""Above the system ports: what scanners of the internet ask for most. Common practice, no source."""
ROUTER_UDP = ("udp/53", "udp/69", "udp/123", "udp/500", "udp/514", "udp/1194", "udp/1701", "udp/1812", "udp/1900",
              "udp/4500", "udp/5353")  # fmt: skip
"""What a router might serve by UDP (IANA registry). Not DHCP (each lease shows it) and SNMP (monitoring)."""
LISTENING = "0A"  # TCP_LISTEN in /proc/net/tcp (proc(5); include/net/tcp_states.h)
TABLES = ("/proc/net/tcp", "/proc/net/tcp6")
RATE_INSIDE, RATE_OUTSIDE = 15_000, 2_500
"""SYNs a second: on a LAN, and over a radio link of which they may take 2 Mbit/s with all their headers."""


@dataclass(frozen=True, slots=True)
class View:
    """Who looks, where its sweeps are labelled, what it must find to be believed (address, service), and which of the
    router's addresses must answer its echo: what it finds of its own says nothing of the way to the router."""

    node: str
    name: str
    rate: int
    control: tuple[str, str]
    echo: str


def list_views(plan: Plan, evidence: Evidence) -> tuple[tuple[View, Segment | None], ...]:
    """Return all who can look by now, clients with their segment."""
    views: list[tuple[View, Segment | None]] = []
    for client, segment in list_all_clients(plan):
        if find_lease(evidence, client):
            own = find_router_address(segment)
            views.append((View(client, f"{segment.name} ({client})", RATE_INSIDE, (own, "tcp/53"), own), segment))
    through = find_address_for_hq(plan)
    if through is not None:
        own = plan.branch.acceptance.ping_target
        views.append((View(HQ, "HQ", RATE_OUTSIDE, (own, "tcp/80"), through), None))
    wan = find_wan(plan, evidence)
    if wan is not None:
        name = f"the far side of the uplink ({wan.node})"
        views.append((View(wan.node, name, RATE_OUTSIDE, (wan.address, ""), wan.address), None))
    return tuple(views)


def list_router(plan: Plan, evidence: Evidence, view: View) -> tuple[str, ...]:
    """Return the router's addresses that a vantage has a way to."""
    wan = find_wan(plan, evidence)
    if view.node == HQ:
        return tuple(address for address, segment in list_router_addresses(plan) if is_in_tunnel(plan, segment))
    if wan is not None and view.node == wan.node:
        return (wan.address,)
    inside = tuple(address for address, _ in list_router_addresses(plan))
    return (*inside, wan.address) if wan is not None else inside


def list_others(plan: Plan, evidence: Evidence, view: View, segment: Segment | None) -> tuple[Spot, ...]:
    """Return the places behind the router that a vantage may not open everything of."""
    spots = list_spots(plan, evidence)
    if segment is not None:
        return tuple(
            s
            for s in spots
            if s.place != segment.name and not is_wide_open(segment, s.place) and list_services(plan, segment, s.place)
        )
    if view.node != HQ:
        return ()
    carried = {s.name for s in plan.branch.segments if is_in_tunnel(plan, s)}
    return tuple(s for s in spots if s.place in carried)


def list_own(plan: Plan) -> frozenset[str]:
    """Return the router's own addresses inside."""
    return frozenset(address for address, _ in list_router_addresses(plan))


def label_listening(check: str, path: str) -> str:
    return f"{check}.listening.{path}"


def read_listening(evidence: Evidence, check: str) -> tuple[int, ...]:
    """Return the TCP ports that the router says it listens on (proc(5), /proc/net/tcp)."""
    ports: set[int] = set()
    for path in TABLES:
        answer = evidence.find_answer(label_listening(check, path))
        for line in read_file(answer).splitlines()[1:]:
            words = line.split()
            if len(words) > 3 and words[3] == LISTENING:
                ports.add(int(words[1].rpartition(":")[2], 16))
    return tuple(sorted(ports - {0}))


def list_ports(evidence: Evidence, check: str) -> list[list[int]]:
    """Return the ranges of ports that are swept."""
    return [list(SYSTEM_PORTS), *([port, port] for port in sorted({*ATTACKED, *read_listening(evidence, check)}))]


def count_ports(evidence: Evidence, check: str) -> int:
    """Return how many ports are swept."""
    return len({port for low, high in list_ports(evidence, check) for port in range(low, high + 1)})


def list_swept(plan: Plan, evidence: Evidence, view: View, segment: Segment | None) -> tuple[str, ...]:
    """Return the addresses that a vantage sweeps, its control's among them."""
    others = (spot.address for spot in list_others(plan, evidence, view, segment))
    return tuple(dict.fromkeys((*list_router(plan, evidence, view), *others, view.control[0])))


def list_udp(plan: Plan, evidence: Evidence, view: View) -> tuple[tuple[str, str], ...]:
    """Return what a vantage asks in its own words, as (address, service): first an echo, which must come back."""
    addresses = list_router(plan, evidence, view)
    services = ROUTER_UDP if monitoring.why_not(plan) is None else (*ROUTER_UDP, SNMP)
    return ((view.echo, "icmp"), *((address, service) for address in addresses for service in services))


def label_sweep(what: str, node: str) -> str:
    return f"{NAME}.{what}.{node}"
