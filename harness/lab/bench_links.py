"""The bench's own addresses: each node's links, and what names lead to. Layer: lab, pure. See DEVELOPERS.md, "Links".

All lie in RFC 2544's benchmarking block (198.18.0.0/15) or, inside the carrier, in the shared address space of
RFC 6598. Only the HQ LAN's and the branch's come from the profile.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Mapping
from urllib.parse import urlsplit

from emulators.common.links import Link, Route
from harness.core.app_names import build_app_zones, list_addresses
from harness.core.model import Plan
from harness.core.web_names import OTHER_RESOLVERS, build_web_zones
from harness.lab.topology import Service

INTERNET = "198.18.0.1"
CARRIER_NAT = "198.18.0.10"
MANAGEMENT = "198.18.0.20"
HQ_GATEWAY = "198.18.0.30"
SIGN_IN = "198.18.0.90"
"""The operators' identity provider, on the internet's node."""
LEAST_SOURCES, LEAST_LAN = 2, 4
"""Addresses to try log-ins from; a LAN of four addresses (/30) has no room for two and the gateway."""
CARRIER_DNS = INTERNET
"""Whom the carrier's resolver asks."""
DEVICE_POOL, DEVICE_GATEWAY = "100.64.0.0/24", "100.64.0.1"
FIXED_NET = "198.18.64.0/24"
FIXED_LINE: Mapping[str, str | int] = {
    "gateway": "198.18.64.1",
    "first": "198.18.64.100",
    "last": "198.18.64.110",
    "lease_s": 600,
}
_FIXED_ROUTE = Route(FIXED_NET, INTERNET)
_STATIC: Mapping[tuple[str, str], tuple[str, tuple[Route, ...]]] = {
    ("carrier", "radio"): ("198.18.255.1/30", ()),
    ("router", "radio"): ("198.18.255.2/30", ()),
    ("internet", "inet"): (f"{INTERNET}/24", ()),
    ("internet", "fixed"): ("198.18.64.1/24", ()),
    ("carrier", "inet"): (f"{CARRIER_NAT}/24", (_FIXED_ROUTE,)),
    ("management", "inet"): (f"{MANAGEMENT}/24", (_FIXED_ROUTE,)),
    ("hq-gateway", "inet"): (f"{HQ_GATEWAY}/24", (_FIXED_ROUTE,)),
}


def build_links(plan: Plan, service: Service) -> tuple[Link, ...]:
    """Return a node's links: bench names and addresses, found by the engine's MAC or nominal address."""
    links = []
    for end in service.attachments:
        addresses, routes = _addresses(plan, service.name, end.network)
        links.append(Link(end.network, end.mac, end.address, addresses, routes))
    return tuple(links)


def _addresses(plan: Plan, node: str, network: str) -> tuple[tuple[str, ...], tuple[Route, ...]]:
    if (node, network) in _STATIC:
        address, routes = _STATIC[node, network]
        more = _own_hosts(plan) if (node, network) == ("internet", "inet") else ()
        return (address, *(f"{host}/24" for host in more)), routes
    if network != "hqlan":
        return (), ()  # by DHCP, or a switch port
    subnet = hq_lan(plan)
    if node == "hq-gateway":
        return (f"{hq_gateway_host(plan)}/{subnet.prefixlen}",), ()
    routes = tuple(Route(branch, hq_gateway_host(plan)) for branch in plan.records.headquarters.branch_subnets)
    return tuple(f"{host}/{subnet.prefixlen}" for host in _endpoint_hosts(plan)), routes


def _own_hosts(plan: Plan) -> tuple[str, ...]:
    """Hosts of their own that the internet's node plays, as the profile's controls need them."""
    sign_in = (SIGN_IN,) if plan.branch.operators else ()
    applications = list_addresses(plan.branch.applications) if plan.branch.applications else ()
    return (*sign_in, *(OTHER_RESOLVERS if plan.branch.web_filter else ()), *applications)


def hq_lan(plan: Plan) -> ipaddress.IPv4Network:
    """Return the HQ subnet that the bench builds: the remote subnet with the ping target in it, else the first."""
    subnets = [ipaddress.IPv4Network(text) for text in plan.branch.tunnel.remote_subnets]
    target = ipaddress.IPv4Address(plan.branch.acceptance.ping_target)
    return next((subnet for subnet in subnets if target in subnet), subnets[0])


def hq_gateway_host(plan: Plan) -> str:
    """Return the gateway's address on the HQ LAN: its first host that the endpoint does not have."""
    taken = set(_endpoint_hosts(plan))
    return next(str(host) for host in hq_lan(plan).hosts() if str(host) not in taken)


def _endpoint_hosts(plan: Plan) -> tuple[str, ...]:
    """The ping target; the syslog server where the profile gives it another address on the HQ LAN; else, where log-ins
    are tried, the LAN's last host, so that there are two to try from."""
    hosts = [plan.branch.acceptance.ping_target]
    server = plan.branch.logging.server if plan.branch.logging else ""
    if _is_address(server) and server not in hosts and ipaddress.IPv4Address(server) in hq_lan(plan):
        hosts.append(server)
    if plan.branch.administration is not None and len(hosts) < LEAST_SOURCES:
        subnet = hq_lan(plan)
        last = subnet.broadcast_address - 1
        if str(last) not in hosts and subnet.num_addresses > LEAST_LAN:
            hosts.append(str(last))
    return tuple(hosts)


def build_zones(plan: Plan) -> dict[str, str]:
    """Return every host name of the plan and the bench address that it leads to."""
    web = build_web_zones(plan.branch.web_filter) if plan.branch.web_filter else {}
    apps = build_app_zones(plan.branch.applications) if plan.branch.applications else {}
    return web | apps | {name.lower(): address for name, address in _named_hosts(plan) if not _is_address(name)}


def _named_hosts(plan: Plan) -> Iterator[tuple[str, str]]:
    branch = plan.branch
    if branch.logging is not None:
        yield branch.logging.server, branch.acceptance.ping_target
    for server in branch.time_servers:
        yield server, INTERNET
    if branch.alerts is not None:
        yield urlsplit(branch.alerts.webhook).hostname or "", INTERNET
    if branch.operators is not None:
        yield urlsplit(branch.operators.issuer).hostname or "", SIGN_IN
    yield branch.tunnel.gateway, HQ_GATEWAY
    for bootstrap in branch.bootstrap:
        yield bootstrap.address, MANAGEMENT


def _is_address(host: str) -> bool:
    try:
        ipaddress.IPv4Address(host)
    except ValueError:
        return False
    return True
