"""spoofed_sources_dropped: what a client sends under an address that is not its own goes nowhere (RFC 2827, RFC 3704).

Each client sends raw packets, to every place that the matrix opens to it, with sources of the other segments, of HQ, of
the router, of a public block and of blocks that are nobody's; once more with its own, which must arrive (so that the
way, the sender and the witness are known to work). A packet is known at the target by its token, so that one whose
source was translated on the way is known too; what leaves an uplink and goes no further is seen by who stands there.

Clauses of NIST SP 800-53 are from memory.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from emulators.common.controls import ANY, Reach
from harness.checks._shared import HQ, find_router_address
from harness.checks._vantages import (
    INTERNET_NODE,
    SWEEP_TIMEOUT_S,
    Spot,
    ask_in_steps,
    find_lease,
    find_screen,
    is_arrived,
    is_filtered,
    is_in_tunnel,
    label_arrived,
    label_forget,
    list_all_clients,
    list_spots,
    list_targets,
    spoil_segment,
)
from harness.core.entries import Check, Evidence, Example, Seen, Spoil, as_count, as_list, hold, leave_open, set_aside
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.sections import Segment
from harness.stages._shared import LEASE_TIMEOUT_S, find_segment_network, label_lease

NAME = "spoofed_sources_dropped"
PUBLIC = "198.18.200.200"
"""A public address, as the bench has them (RFC 2544): on no link of it, so nobody answers there."""
NOBODYS = ("127.0.0.9", "0.0.0.9", "169.254.9.9", "192.0.2.9", "224.0.0.9", "240.0.0.9", "255.255.255.255")
"""Loopback, this network, link local, documentation, multicast, reserved, broadcast: RFC 6890 tables 1, 3, 5, 7, 15 and
16, RFC 5737 section 3, RFC 5771 section 3."""
OPEN_UDP = "udp/5004"  # RFC 3551 section 8 (RTP): any port will do where all are open
COPIES = 2
NO_WAY = "nothing that a client may send needs no answer (UDP, ICMP): a forged source opens no connection"
OWN = "its own"


@dataclass(frozen=True, slots=True)
class _Forgery:
    spot: Spot
    service: str
    whose: str
    source: str | None
    token: str


def why_not(plan: Plan) -> str | None:
    if not any(segment.verify_sources for segment in plan.branch.segments):
        return "the profile verifies no segment's sources"
    may_send = any(s.verify_sources and may_send_raw(plan, s) for _, s in list_all_clients(plan))
    return None if may_send else NO_WAY


def may_send_raw(plan: Plan, segment: Segment) -> bool:
    """Say whether the matrix opens to a segment's clients anything that the probe can send: UDP or ICMP."""
    places = {"hq", "internet", *(other.name for _, other in list_all_clients(plan))} - {segment.name}
    return any(find_service(plan, segment, place) is not None for place in places)


def list_sources(plan: Plan, segment: Segment) -> tuple[tuple[str, str], ...]:
    """Return whose address it is, and the address, of all that a client of a segment must not pass for."""
    others = [other for other in plan.branch.segments if other is not segment]
    network = ipaddress.ip_network(find_segment_network(segment))
    return (
        *((other.name, other.dhcp.last) for other in others),
        *((f"the router in {other.name}", find_router_address(other)) for other in (segment, *others)),
        ("HQ", plan.branch.acceptance.ping_target),
        ("the internet", PUBLIC),
        *(("nobody", address) for address in NOBODYS),
        ("the segment's broadcast", str(network.broadcast_address)),
    )


def find_service(plan: Plan, segment: Segment, place: str) -> str | None:
    """Return what a client may send there that needs no answer: UDP before ICMP; None for nothing of the kind."""
    opened = [service for row in segment.reach if row.to == place for service in row.open]
    screen = find_screen(plan, segment) if place == "internet" else None
    if screen is not None:
        opened = [s for s in sorted(screen) if s in opened or ANY in opened]
        opened = [s for s in opened if not is_filtered(plan, segment, s)]
    elif ANY in opened:
        return OPEN_UDP
    return next((s for s in opened if s.startswith("udp/")), "icmp" if "icmp" in opened else None)


def _list_forgeries(plan: Plan, evidence: Evidence, client: str, segment: Segment) -> tuple[_Forgery, ...]:
    listed: list[_Forgery] = []
    for spot in list_spots(plan, evidence):
        service = find_service(plan, segment, spot.place)
        if service is not None and spot.place != segment.name:
            for whose, source in ((OWN, None), *list_sources(plan, segment)):
                listed.append(_Forgery(spot, service, whose, source, f"{NAME}.{client}.{len(listed)}"))
    return tuple(listed)


def _label(client: str) -> str:
    return f"{NAME}.{client}"


def _sends(plan: Plan, evidence: Evidence) -> Sequence[Ask]:
    due = []
    for client, segment in list_all_clients(plan):
        if segment.verify_sources and find_lease(evidence, client):
            packets = [
                {"target": f.spot.address, "service": f.service, "token": f.token}
                | ({"source": f.source} if f.source else {})
                for f in _list_forgeries(plan, evidence, client, segment)
            ]
            due.append(Ask(client, "send", {"packets": packets, "copies": COPIES, "linger_s": 1.0}, _label(client)))
    return due


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    return ask_in_steps(plan, evidence, NAME, _sends)


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    found: list[Finding] = []
    for client, segment in list_all_clients(plan):
        if segment.verify_sources and may_send_raw(plan, segment):
            found += _judge_client(plan, evidence, client, segment)
        elif segment.verify_sources:
            found.append(set_aside(NAME, f"what {segment.name} ({client}) sends as another goes nowhere", NO_WAY))
    return (*found, _judge_uplink(plan, evidence))


def _judge_client(plan: Plan, evidence: Evidence, client: str, segment: Segment) -> list[Finding]:
    claim = f"what {segment.name} ({client}) sends as another goes nowhere"
    expected = "with its own source it arrives, with no other"
    answer = evidence.find_answer(_label(client))
    forgeries = _list_forgeries(plan, evidence, client, segment)
    if answer is None or not answer.ok or not forgeries:
        why = answer.error if answer is not None else "the client has no lease to be told apart by"
        return [leave_open(NAME, claim, expected, f"nothing: {why or 'no place takes what it could send'}", [answer])]
    arrivals = {node: evidence.find_answer(label_arrived(NAME, node)) for node in list_targets(plan)}
    evident = [answer, *arrivals.values()]
    there = [(f, node) for f in forgeries for node, told in arrivals.items() if is_arrived(told, f.token)]
    forged = [(f, node) for f, node in there if f.whose != OWN]
    if forged:
        told = ", ".join(f"{f.source} ({f.whose}) at {node}" for f, node in forged[:6])
        return [hold(NAME, False, claim, expected, f"arrived: {told}", evident)]
    counts = [as_count(count) for count in as_list(answer.get("sent"))]
    if len(counts) != len(forgeries) or not all(counts):
        why = f"nothing: of {len(forgeries)} packets only {sum(count > 0 for count in counts)} were sent"
        return [leave_open(NAME, claim, expected, why, evident)]
    proven = {f.spot for f, node in there if node == f.spot.node}
    lost = list(dict.fromkeys(f.spot.node for f in forgeries if f.spot not in proven))
    if lost:
        why = f"nothing: even with its own source nothing arrived at {', '.join(lost)}"
        return [leave_open(NAME, claim, expected, why, evident)]
    nodes = ", ".join(sorted(spot.node for spot in proven))
    told = f"{len(forgeries) - len(proven)} forgeries sent to {nodes}, none arrived"
    return [hold(NAME, True, claim, expected, told, evident)]


def _judge_uplink(plan: Plan, evidence: Evidence) -> Finding:
    """What left an uplink under a forged source is seen by who stands there, whether or not it went on."""
    own = {find_router_address(segment) for segment in plan.branch.segments}  # its own doings: nothing_in_clear
    forged = {s for segment in plan.branch.segments for _, s in list_sources(plan, segment)} - own
    seen = [
        *evidence.find_all("carrier", "source.refused"),
        *evidence.find_all(INTERNET_NODE, "address.seen", link="fixed"),
    ]
    wrong = [item for item in seen if str(item.data.get("source")) in forged]
    told = ", ".join(f"{item.data.get('source')} > {item.data.get('destination')}" for item in wrong[:5])
    claim = "no packet with a forged source left an uplink"
    return hold(NAME, not wrong, claim, "none", told or "none", wrong)


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    """Let each segment's sources pass unverified; first one whose forgeries a tunnel carries and no uplink does."""

    def trust(served: dict[str, Any]) -> None:
        served["verify_sources"] = False

    segments = dict.fromkeys(s.name for _, s in list_all_clients(plan) if s.verify_sources and may_send_raw(plan, s))
    by_name = {segment.name: segment for segment in plan.branch.segments}
    ordered = sorted(segments, key=lambda name: _rank(plan, by_name[name]))
    return tuple(spoil_segment(plan, n, f"sources of {n} are not verified", "verify_sources", trust) for n in ordered)


def _rank(plan: Plan, segment: Segment) -> tuple[bool, bool]:
    carried = [other for other in plan.branch.segments if other is not segment and is_in_tunnel(plan, other)]
    return not (segment.may_reach("hq") and carried), segment.may_reach("internet")


CHECK = Check(
    name=NAME,
    order=26,
    title="Packets with a forged source go nowhere",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + SWEEP_TIMEOUT_S,
    clauses=("PCI DSS 4.0.1 1.4.3", "NIST SP 800-53 SC-7", "NIST SP 800-53 SC-5"),
    spoils=spoils,
)

_PLAN = build_plan()
_TCP_ONLY = build_plan(
    segments=(replace(_PLAN.branch.segments[0], reach=(Reach("hq", ("tcp/443",)),)), _PLAN.branch.segments[1])
)
_LEASES = {"client1": "10.20.10.100", "client2": "10.20.30.100", "client3": "10.20.30.101"}


def _example(
    arrived: Sequence[tuple[str, str, str]] = (),
    *,
    own: bool = True,
    sent: bool = True,
    unsent: Sequence[str] = (),
    plan: Plan = _PLAN,
) -> tuple[Observation, ...]:
    """Return a run; `arrived`: of which client what passed for whom, and where it arrived; `unsent`: as whom nothing
    could be sent."""
    seen = [answered(c, label_lease(c), 1.0, {"address": a}) for c, a in _LEASES.items()]
    evidence = Evidence(Seen(i, s) for i, s in enumerate(seen))
    tokens: dict[str, list[str]] = {node: [] for node in list_targets(plan)}
    for client, segment in list_all_clients(plan):
        forgeries = _list_forgeries(plan, evidence, client, segment)
        for item in forgeries:
            if item.whose == OWN and own:
                tokens[item.spot.node].append(item.token)
            for who, whose, node in arrived:
                if (who, whose) == (client, item.whose):
                    tokens[node].append(item.token)
        error = None if sent else "OSError: no raw socket"
        counts = [0 if item.whose in unsent else COPIES for item in forgeries]
        seen.append(answered(client, _label(client), 3.0, {"sent": counts} if sent else None, error))
    for node in list_targets(plan):
        seen.append(answered(node, label_forget(NAME, node), 2.0, {"arrived": []}))
        told = {"arrived": [{"token": token} for token in tokens[node]], "alive": True}
        seen.append(answered(node, label_arrived(NAME, node), 5.0, told))
    return tuple(seen)


EXAMPLES = (
    Example("only true sources arrive", "PASS", _example()),
    Example("the staff pass for a guest at HQ", "FAIL", _example([("client1", "guest", HQ)])),
    Example("a guest's forgery is translated and arrives", "FAIL", _example([("client2", "staff", INTERNET_NODE)])),
    Example("a forgery arrives where it was not sent", "FAIL", _example([("client2", "HQ", "client1")])),
    Example(
        "a forgery left for the carrier, which threw it away",
        "FAIL",
        (*_example(), saw("carrier", "source.refused", 3.0, source=PUBLIC, destination="198.18.0.1", protocol=17)),
    ),
    Example("not even true sources arrive", "INCONCLUSIVE", _example(own=False)),
    Example("nothing could be sent", "INCONCLUSIVE", _example(sent=False)),
    Example("no forgery left the client", "INCONCLUSIVE", _example(unsent=["HQ", "nobody"])),
    Example("a segment that may only open connections is set aside", "PASS", _example(plan=_TCP_ONLY), _TCP_ONLY),
    Example(
        "the profile verifies nothing",
        "NOT_APPLICABLE",
        (),
        build_plan(segments=tuple(replace(s, verify_sources=False) for s in _PLAN.branch.segments)),
    ),
)
