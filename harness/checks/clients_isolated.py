"""clients_isolated: two clients of an isolated segment reach each other in no way; of any other segment they do.

Tried from each to each: ICMP, TCP and UDP as any program would, ARP, broadcasts, and frames that a program would not
send: straight to the other's station address, and to the router's with the other's IP address (a router that sends
those back out of the segment undoes what its bridge keeps apart). Seen at both ends: what came back, and what arrived.
Silence counts only where both reach their router and their witnesses work.

Clauses of NIST SP 800-53 are from memory.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from harness.checks._shared import find_router_address
from harness.checks._vantages import (
    SWEEP_TIMEOUT_S,
    ask_in_steps,
    ask_sweep,
    build_try,
    find_lease,
    is_alive,
    is_arrived,
    label_arrived,
    label_forget,
    list_all_clients,
    read_arrivals,
    read_outcomes,
    spoil_segment,
)
from harness.core.entries import Answer, Check, Evidence, Example, Spoil, as_count, hold, leave_open, set_aside
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan
from harness.core.sections import Segment
from harness.stages._shared import LEASE_TIMEOUT_S, find_segment_network, label_lease

NAME = "clients_isolated"
SERVICES = ("icmp", "tcp/80", "tcp/8443", "udp/5004", "arp")
FRAMES = ("to its station", "by way of the router", "to the segment's broadcast address", "to everybody")
PORT = "udp/5004"
EVERYBODY = "255.255.255.255"  # RFC 919 section 7
EVERY_STATION = "ff:ff:ff:ff:ff:ff"  # IEEE 802: the broadcast address


def why_not(plan: Plan) -> str | None:
    if not any(segment.isolated for segment in plan.branch.segments):
        return "the profile isolates no segment"
    return None if list_all_clients(plan) else "no segment has a port with a client on it"


def list_pairs(plan: Plan) -> tuple[tuple[str, str, Segment], ...]:
    """Return each two clients of one segment, in both orders."""
    clients = list_all_clients(plan)
    return tuple((a, b, s) for a, s in clients for b, other in clients if a != b and s is other)


def _label(what: str, client: str, other: str) -> str:
    return f"{NAME}.{what}.{client}.{other}"


def _token(client: str, other: str, what: str) -> str:
    return f"{NAME}.{client}.{other}.{(*SERVICES, *FRAMES).index(what)}"


def _tries(plan: Plan, evidence: Evidence) -> Sequence[Ask]:
    due = []
    for client, other, segment in list_pairs(plan):
        target, mac = find_lease(evidence, other), _find_mac(evidence, other)
        if find_lease(evidence, client) is None or target is None or mac is None:
            continue
        tries = [build_try(find_router_address(segment), service) for service in ("icmp", "arp")]
        tries += [build_try(target, s, None if s == "arp" else _token(client, other, s)) for s in SERVICES]
        due.append(ask_sweep(client, tries, _label("sweep", client, other)))
        everyone = str(ipaddress.ip_network(find_segment_network(segment)).broadcast_address)
        ways = ((target, mac), (target, "gateway"), (everyone, EVERY_STATION), (EVERYBODY, EVERY_STATION))
        packets = [
            {"target": to, "service": PORT, "mac": station, "token": _token(client, other, frame)}
            for frame, (to, station) in zip(FRAMES, ways, strict=True)
        ]
        due.append(Ask(client, "send", {"packets": packets}, _label("send", client, other)))
    return due


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    return ask_in_steps(plan, evidence, NAME, _tries)


def _find_mac(evidence: Evidence, client: str) -> str | None:
    answer = evidence.find_answer(label_forget(NAME, client))
    macs = answer.get("macs") if answer is not None and answer.ok else None
    return next((str(mac) for mac in macs.values()), None) if isinstance(macs, Mapping) else None


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    found = [_judge_pair(evidence, client, other, segment) for client, other, segment in list_pairs(plan)]
    for segment in plan.branch.segments:
        clients = [client for client, own in list_all_clients(plan) if own is segment]
        if segment.isolated and len(clients) < 2:
            reason = f"it takes two clients to tell, and {segment.name} has {len(clients)} port with one"
            found.append(set_aside(NAME, f"clients of {segment.name} do not reach each other", reason))
    return tuple(found)


def _judge_pair(evidence: Evidence, client: str, other: str, segment: Segment) -> Finding:
    not_ = "does not reach" if segment.isolated else "reaches"
    claim = f"in {segment.name}, {client} {not_} {other}"
    expected = "nothing comes back, nothing arrives" if segment.isolated else "ICMP, TCP, UDP and ARP are answered"
    labels = (_label("sweep", client, other), _label("send", client, other), label_arrived(NAME, other))
    swept, sent, arrived = answers = tuple(evidence.find_answer(label) for label in labels)
    outcomes = read_outcomes(swept, len(SERVICES) + 2)
    counts = sent.get("sent") if sent is not None and sent.ok else None
    if outcomes is None or not isinstance(counts, list) or arrived is None:
        errors = "; ".join(a.error for a in (swept, sent) if a is not None and not a.ok)
        return leave_open(NAME, claim, expected, f"nothing: {errors or 'not both have a lease'}", answers)
    back = [s for s, outcome in zip(SERVICES, outcomes[2:], strict=True) if outcome != "silent"]
    if not segment.isolated:
        missing = [s for s, outcome in zip(SERVICES, outcomes[2:], strict=True) if outcome != "open"]
        told = f"no answer: {', '.join(missing)}" if missing else "all answered"
        return hold(NAME, not missing, claim, expected, told, answers)
    there = _list_arrived(evidence, client, other, arrived)
    if back or there:
        told = "; ".join(t for t in (_tell("answered: ", back), _tell("arrived: ", there)) if t)
        return hold(NAME, False, claim, expected, told, answers)
    blind = _find_blindness(evidence, client, other, outcomes, counts)
    if blind:
        return leave_open(NAME, claim, expected, blind, answers)
    return hold(NAME, True, claim, expected, "nothing came back, nothing arrived", answers)


def _tell(head: str, items: Sequence[str]) -> str:
    return head + ", ".join(items) if items else ""


def _list_arrived(evidence: Evidence, client: str, other: str, arrived: Answer) -> list[str]:
    there = [what for what in (*SERVICES, *FRAMES) if is_arrived(arrived, _token(client, other, what))]
    own = find_lease(evidence, client)
    asked = [_count_arp(evidence.find_answer(label(NAME, other)), own) for label in (label_forget, label_arrived)]
    return [*there, "ARP requests"] if asked[1] > asked[0] else there


def _count_arp(answer: Answer | None, source: str | None) -> int:
    items: list[Mapping[str, Any]] = [i for i in read_arrivals(answer) if i.get("protocol") == "arp"]
    return sum(as_count(item.get("count")) for item in items if item.get("source") == source)


def _find_blindness(
    evidence: Evidence, client: str, other: str, outcomes: Sequence[str], counts: Sequence[Any]
) -> str | None:
    """Return why silence would prove nothing, or None where it does."""
    if outcomes[0] != "open" or outcomes[1] != "open":
        return f"nothing: {client} reached not even its router"
    back = read_outcomes(evidence.find_answer(_label("sweep", other, client)), len(SERVICES) + 2)
    if back is None or back[0] != "open":
        return f"nothing: {other} reached not even its router"
    if not is_alive(evidence.find_answer(label_arrived(NAME, other))):
        return f"nothing: the witness of {other} does not work"
    unsent = [frame for frame, count in zip(FRAMES, counts, strict=False) if not as_count(count)]
    return f"nothing: could not send {', '.join(unsent)}" if unsent or len(counts) != len(FRAMES) else None


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    """Take the isolation from each segment in which two clients could use it."""

    def open_it(served: dict[str, Any]) -> None:
        served["isolated"] = False

    shared = {segment.name: segment for _, _, segment in list_pairs(plan) if segment.isolated}
    return tuple(spoil_segment(plan, name, f"{name} is not isolated", "isolated", open_it) for name in shared)


CHECK = Check(
    name=NAME,
    order=28,
    title="Clients of an isolated segment do not reach each other",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + SWEEP_TIMEOUT_S,
    clauses=("PCI DSS 4.0.1 1.4.1", "NIST SP 800-53 AC-4", "NIST SP 800-53 SC-7"),
    spoils=spoils,
)

_PLAN = build_plan()
_GUESTS = {"client2": "10.20.30.100", "client3": "10.20.30.101"}


def _example(
    back: Sequence[str] = (),
    there: Sequence[str] = (),
    *,
    plan: Plan = _PLAN,
    router: str = "open",
    alive: bool = True,
    sent: int = 2,
    arp: int = 0,
) -> tuple[Observation, ...]:
    """Return a run in which client2 gets `back` answers from client3, where `there` arrives."""
    leases = {"client1": "10.20.10.100", **_GUESTS}
    seen = [answered(c, label_lease(c), 1.0, {"address": leases[c]}) for c, _ in list_all_clients(plan)]
    told = {"arrived": [], "alive": alive, "macs": {"lan": "02:00:5e:00:53:01"}}
    nodes = (*(c for c, _ in list_all_clients(plan)), "hq-endpoint", "internet")
    seen += [answered(node, label_forget(NAME, node), 2.0, told) for node in nodes]
    for client, other in (("client2", "client3"), ("client3", "client2")):
        mine = back if client == "client2" else ()
        outcomes = [router, router, *("open" if s in mine else "silent" for s in SERVICES)]
        seen.append(answered(client, _label("sweep", client, other), 4.0, {"outcomes": outcomes}))
        seen.append(answered(client, _label("send", client, other), 3.0, {"sent": [sent] * len(FRAMES)}))
    arrived: list[dict[str, Any]] = [{"token": _token("client2", "client3", what)} for what in there]
    arrived += [{"token": None, "protocol": "arp", "source": _GUESTS["client2"], "count": arp}]
    for node in nodes:
        seen.append(
            answered(node, label_arrived(NAME, node), 5.0, {**told, "arrived": arrived if node == "client3" else []})
        )
    return tuple(seen)


_ALONE = build_plan(segments=(*_PLAN.branch.segments[:1], replace(_PLAN.branch.segments[1], ports=(2,))))

EXAMPLES = (
    Example("neither hears of the other", "PASS", _example()),
    Example("they ping each other", "FAIL", _example(["icmp"])),
    Example("ARP alone is answered", "FAIL", _example(["arp"])),
    Example("ARP requests arrive", "FAIL", _example(arp=2)),
    Example("a broadcast arrives", "FAIL", _example(there=[FRAMES[2]])),
    Example("the router sends back what comes to it", "FAIL", _example(there=[FRAMES[1]])),
    Example("the client reaches not even its router", "INCONCLUSIVE", _example(router="silent")),
    Example("the witness is dead", "INCONCLUSIVE", _example(alive=False)),
    Example("no frame could be sent", "INCONCLUSIVE", _example(sent=0)),
    Example("one port, one client", "NOT_APPLICABLE", _example(plan=_ALONE), _ALONE),
)
