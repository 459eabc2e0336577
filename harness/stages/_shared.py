"""What several stages ask of plan and evidence. Layer: stages, pure."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Mapping
from typing import Any

from harness.core.entries import Evidence, Seen
from harness.core.model import Ask, Plan
from harness.core.sections import Segment

LEASE_TIMEOUT_S = 20.0  # several tries of DHCP at the client's pace (RFC 2131 section 4.1: 4, 8, ... s)
CLIENTS = 4  # lan1..lan4 of compose/lab.yaml
SHARED_ADDRESSES = ipaddress.IPv4Network("100.64.0.0/10")  # RFC 6598 section 7
UNFAKED = ("management", "internet", "carrier", "hq-gateway", "hq-endpoint")
"""Nodes whose own clock is the engine's: true time on the bench."""


def is_cellular(plan: Plan) -> bool:
    """Say whether the branch's first uplink is the cellular one."""
    return plan.branch.uplinks[0] == "cellular"


def find_imsis(plan: Plan) -> frozenset[str]:
    """Return the IMSIs of the branch's cards."""
    return frozenset(s.imsi for s in plan.branch.sims)


def fold_name(name: Any) -> str:
    """Return a DNS name or APN in the form to compare: lower case, no final dot (RFC 4343; TS 23.003 clause 9)."""
    return str(name or "").rstrip(".").lower()


def is_address(text: str) -> bool:
    """Say whether a text is an IP address rather than a name."""
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def is_inside(address: Any, networks: Iterable[str]) -> bool:
    """Say whether an address lies in one of the networks. A text that is no address lies in none."""
    if not is_address(str(address)):
        return False
    return any(ipaddress.ip_address(str(address)) in ipaddress.ip_network(n) for n in networks)


def to_networks(texts: Iterable[Any]) -> frozenset[str]:
    """Return networks in one spelling, for comparing as a set. A text that is no network stays as it is."""
    return frozenset(_to_network(str(t)) for t in texts)


def _to_network(text: str) -> str:
    try:
        return str(ipaddress.ip_network(text, strict=False))
    except ValueError:
        return text


def find_segment_network(segment: Segment) -> str:
    """Return a segment's network."""
    return str(ipaddress.ip_interface(segment.address).network)


def find_client(segment: Segment) -> str | None:
    """Return the client on the segment's first port that has one, or None."""
    port = next((p for p in segment.ports if 1 <= p <= CLIENTS), None)
    return None if port is None else f"client{port}"


def label_lease(client: str) -> str:
    """Return the label of a client's lease. It is asked once a run: whoever needs it next finds the answer there."""
    return f"lease.{client}"


def ask_lease(client: str) -> Ask:
    """Return the ask for a client's lease."""
    return Ask(client, "lease", {"timeout_s": LEASE_TIMEOUT_S}, label_lease(client))


def find_hq_segment(plan: Plan) -> Segment | None:
    """Return the first segment with a client that may reach HQ, or None."""
    return next((s for s in plan.branch.segments if s.may_reach("hq") and find_client(s)), None)


def find_uplink_mtu(plan: Plan) -> int | None:
    """Return the MTU of the branch's first uplink: the carrier's record, or None for Ethernet's own."""
    return plan.records.carrier.mtu if is_cellular(plan) else None


def measure_clock(evidence: Evidence, seen: Seen) -> float | None:
    """Return how far an emitter's own clock was from the true one, in seconds; None where there is nothing to compare.

    A clock's reading less its monotonic stamp is constant as long as the clock is not stepped; on one kernel the
    difference of two such is the difference of the clocks.
    """
    true = next((s for s in evidence if s.observation.source in UNFAKED), None)
    if true is None:
        return None
    own_ns = seen.observation.wall_ns - seen.at_ns
    return (own_ns - (true.observation.wall_ns - true.at_ns)) / 1e9


def tell(data: Mapping[str, Any], *names: str) -> str:
    """Return fields as text; a field that was not reported is left out."""
    return " ".join(f"{n} {data[n]}" for n in names if data.get(n) is not None)


def is_upgrade(plan: Plan) -> bool:
    """Say whether the release differs from the factory's."""
    return plan.branch.release != plan.hardware.factory_release
