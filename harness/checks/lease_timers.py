"""lease_timers: each segment's DHCP gives what the profile says, with timers as RFC 2131 section 4.4.5 has them, and
the router as the only name server."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from typing import Any

from harness.checks._shared import find_router_address, list_clients
from harness.core.entries import Answer, Check, Evidence, Example, Spoil, find_broken, hold
from harness.core.model import Ask, Finding, Plan
from harness.core.sample import answered
from harness.core.sections import DhcpRange
from harness.stages._shared import LEASE_TIMEOUT_S, ask_lease, is_address, label_lease

NAME = "lease_timers"
T1, T2 = 0.5, 0.875  # RFC 2131 section 4.4.5, of the lease
FUZZ = 1 / 16
"""Of the lease. The section wants "some random fuzz" and names no width; this one is common practice, no source."""


def why_not(plan: Plan) -> str | None:
    return None if list_clients(plan) else "no segment has a port with a client on it"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    clients = [client for client, _ in list_clients(plan)]
    return tuple(ask_lease(c) for c in clients if evidence.find_answer(label_lease(c)) is None)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    found: list[Finding] = []
    for client, segment in list_clients(plan):
        claim = f"a client of segment {segment.name} gets a lease out of its range, with timers in order"
        dhcp = segment.dhcp
        router = find_router_address(segment)
        expected = (
            f"{dhcp.first} to {dhcp.last}, router and only name server {segment.address}, lease {dhcp.lease_s} s, "
            f"T1 about {T1 * dhcp.lease_s:g} s, T2 about {T2 * dhcp.lease_s:g} s, T1 < T2 < lease"
        )
        broken = find_broken(evidence, NAME, claim, expected, label_lease(client))
        answer = evidence.find_answer(label_lease(client))
        if broken is not None or answer is None:
            found += [broken] if broken else []
            continue
        prefix = ipaddress.ip_interface(segment.address).network.prefixlen
        holds = answer.ok and answer.get("prefix") == prefix and _is_right(answer, dhcp, router)
        found.append(hold(NAME, holds, claim, expected, _tell(answer), [answer]))
    return tuple(found)


def _is_right(answer: Answer, dhcp: DhcpRange, router: str) -> bool:
    lease_s, t1_s, t2_s = (answer.get(k) for k in ("lease_s", "t1_s", "t2_s"))
    if not all(isinstance(v, int | float) for v in (lease_s, t1_s, t2_s)):
        return False
    in_order = t1_s < t2_s < lease_s
    near = abs(t1_s - T1 * lease_s) <= FUZZ * lease_s and abs(t2_s - T2 * lease_s) <= FUZZ * lease_s
    ours = answer.get("router") == router and answer.get("dns") == [router] and lease_s == dhcp.lease_s
    return bool(in_order and near and ours and _is_in_range(answer.get("address"), dhcp))


def _is_in_range(address: Any, dhcp: DhcpRange) -> bool:
    if not is_address(str(address)):
        return False
    first, last = ipaddress.ip_address(dhcp.first), ipaddress.ip_address(dhcp.last)
    return int(first) <= int(ipaddress.ip_address(str(address))) <= int(last)


def _tell(answer: Answer) -> str:
    if not answer.ok:
        return f"nothing: {answer.error}"
    names = ("address", "prefix", "router", "dns", "lease_s", "t1_s", "t2_s")
    return ", ".join(f"{n} {answer.get(n)}" for n in names)


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    def halve(place: int) -> Callable[[dict[str, Any]], None]:
        def change(config: dict[str, Any]) -> None:
            config["segments"][place]["dhcp"]["lease_s"] //= 2

        return change

    segments = [plan.branch.segments.index(s) for _, s in list_clients(plan)]
    return tuple(
        Spoil(f"leases of {plan.branch.segments[p].name} last half as long", f"segments[{p}].dhcp.lease_s", halve(p))
        for p in segments
    )


CHECK = Check(
    name=NAME,
    order=10,
    title="Each segment's DHCP gives what the profile says",
    after="configured",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + 10.0,
    clauses=("NIST SP 800-53 CM-6",),
    spoils=spoils,
)

STAFF: dict[str, Any] = {
    "address": "10.20.10.100",
    "prefix": 24,
    "router": "10.20.10.1",
    "dns": ["10.20.10.1"],
    "lease_s": 3600,
    "t1_s": 1800,
    "t2_s": 3150,
}
GUEST: dict[str, Any] = {
    "address": "10.20.30.100",
    "prefix": 24,
    "router": "10.20.30.1",
    "dns": ["10.20.30.1"],
    "lease_s": 600,
    "t1_s": 290,
    "t2_s": 515,
}


def _leases(staff: dict[str, Any], guest: dict[str, Any]) -> tuple[Any, Any]:
    return answered("client1", "lease.client1", 1.0, staff), answered("client2", "lease.client2", 1.2, guest)


EXAMPLES = (
    Example("both leases as asked", "PASS", _leases(STAFF, GUEST)),
    Example("the address of another range", "FAIL", _leases(STAFF, {**GUEST, "address": "10.20.10.101"})),
    Example("another network mask", "FAIL", _leases(STAFF, {**GUEST, "prefix": 8})),
    Example("another name server, too", "FAIL", _leases(STAFF, {**GUEST, "dns": ["10.20.30.1", "198.18.0.1"]})),
    Example("T2 not after T1", "FAIL", _leases({**STAFF, "t2_s": 1800}, GUEST)),
    Example("another lease time", "FAIL", _leases({**STAFF, "lease_s": 43200, "t1_s": 21600, "t2_s": 37800}, GUEST)),
    Example(
        "no lease in the guest segment",
        "FAIL",
        (
            _leases(STAFF, GUEST)[0],
            answered("client2", "lease.client2", 21.0, None, "LeaseError: lan2: no DHCP lease within 20.0 s"),
        ),
    ),
    Example(
        "the client program breaks",
        "INCONCLUSIVE",
        (
            _leases(STAFF, GUEST)[0],
            answered("client2", "lease.client2", 21.0, None, "LeaseError: lan2: udhcpc ended with code 1"),
        ),
    ),
)
