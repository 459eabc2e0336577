"""What the detection of threats is tried with, what must be told of it, and what was (threats). Layer: checks, pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from emulators.common.controls import Threats
from emulators.common.log_events import THREAT_DETECTED
from harness.checks._disturb import ROUTER
from harness.checks._logs import find_event, is_told, list_messages
from harness.checks._shared import is_awaited
from harness.checks._vantages import find_lease, list_all_clients
from harness.core.entries import Evidence, Seen, Spoil
from harness.core.model import Ask, Plan
from harness.core.threat_ways import Way, list_ways
from harness.stages._shared import ask_lease, label_lease

NAME = "threats"
PORT_SCAN = "port-scan"
PIECES = (0, 7)
"""Octets a segment: all at once, and so few that every pattern lies across several."""
SCAN_PORTS, SCAN_RATE = (20_001, 20_060), 300
TRY_S = 2.0
FETCH, SUBMIT = "fetch", "submit"


@dataclass(frozen=True, slots=True)
class Body:
    """One body under way. `place` is its place in the probe's list."""

    way: str
    signature: str
    clean: bool
    piece: int

    def build(self, way: Way, who: str) -> dict[str, Any]:
        """Return the line for the probe."""
        line = {"who": who, "way": self.way, "signature": self.signature, "clean": self.clean, "piece": self.piece}
        return {**line, "address": way.address, "port": way.port}


Told = tuple[str, str, str]
"""Signature, source, destination."""


def list_used(plan: Plan) -> tuple[tuple[Way, str], ...]:
    """Return each way with the client that uses it."""
    clients = {segment.name: client for client, segment in reversed(list_all_clients(plan))}
    return tuple((way, clients[way.segment.name]) for way in list_ways(plan) if way.segment.name in clients)


def get_threats(plan: Plan) -> Threats:
    return plan.branch.threats or Threats((), (), "alert")


def list_bodies(plan: Plan) -> tuple[Body, ...]:
    signatures = [signature for signature in get_threats(plan).signatures if signature != PORT_SCAN]
    kinds = [(s, way, clean) for s in signatures for way in (FETCH, SUBMIT) for clean in (False, True)]
    return tuple(Body(way, s, clean, piece) for s, way, clean in kinds for piece in PIECES)


def scans(plan: Plan) -> bool:
    return PORT_SCAN in get_threats(plan).signatures


# ---------------------------------------------------------------- what is asked


def label_forget(node: str) -> str:
    return f"{NAME}.forget.{node}"


def label_bodies(client: str) -> str:
    return f"{NAME}.bodies.{client}"


def label_scan(client: str) -> str:
    return f"{NAME}.scan.{client}"


def label_seen(node: str) -> str:
    return f"{NAME}.seen.{node}"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    used = list_used(plan)
    leases = [ask_lease(client) for _, client in used if evidence.find_answer(label_lease(client)) is None]
    if leases:
        return tuple(leases)
    nodes = sorted({way.node for way, _ in used})
    due = [Ask(node, "exchange_seen", {"forget": True}, label_forget(node)) for node in nodes]
    if is_awaited(evidence, due):
        return tuple(due)
    bodies = list_bodies(plan)
    for way, client in used if bodies else ():
        lines = [body.build(way, client) for body in bodies]
        due.append(Ask(client, "exchange", {"tries": lines, "timeout_s": TRY_S}, label_bodies(client)))
    if is_awaited(evidence, due):
        return tuple(due)
    for way, client in used if scans(plan) else ():
        args = {"targets": [way.address], "ports": [list(SCAN_PORTS)], "rate": SCAN_RATE}
        due.append(Ask(client, "scan", args, label_scan(client)))
    return (*due, *(Ask(node, "exchange_seen", {}, label_seen(node)) for node in nodes))


def find_last_told(plan: Plan, evidence: Evidence) -> Seen | None:
    """Return the last of the messages that must be told, once all are there."""
    expected = list_expected(plan, evidence)
    if is_witnessed(plan):
        found = [find_message(plan, evidence, told) for told in expected]
    else:
        found = [next(iter(list_events(plan, evidence, told)), None) for told in expected]
    there = [seen for seen in found if seen is not None]
    return max(there, key=lambda s: s.at_ns) if there and len(there) == len(expected) else None


# ---------------------------------------------------------------- what must be told, and what was


def list_expected(plan: Plan, evidence: Evidence) -> Counter[Told]:
    """Return what must be told, and how often (a scan: at least once)."""
    expected: Counter[Told] = Counter()
    for way, client in list_used(plan):
        own = find_lease(evidence, client)
        if own is None:
            continue
        for body in list_bodies(plan):
            if not body.clean:
                ends = (way.address, own) if body.way == FETCH else (own, way.address)
                expected[body.signature, *ends] += 1
        if scans(plan):
            expected[PORT_SCAN, own, way.address] += 1
    return expected


def find_since_ns(plan: Plan, evidence: Evidence) -> int:
    answers = [evidence.find_answer(label_forget(way.node)) for way, _ in list_used(plan)]
    return min((answer.seen.at_ns for answer in answers if answer is not None), default=0)


def list_events(plan: Plan, evidence: Evidence, told: Told | None = None) -> list[Seen]:
    since_ns = find_since_ns(plan, evidence)
    found = [seen for seen in evidence.find_all(ROUTER, "threat.detected") if seen.at_ns >= since_ns]
    return [seen for seen in found if told is None or read_told(seen) == told]


def read_told(seen: Seen) -> Told:
    data = seen.data
    return str(data.get("signature")), str(data.get("source")), str(data.get("destination"))


def find_message(plan: Plan, evidence: Evidence, told: Told) -> Seen | None:
    signature, source, destination = told
    text = f"threat {signature} from {source} to {destination}:"
    return find_event(list_messages(plan, evidence), THREAT_DETECTED, find_since_ns(plan, evidence), text)


def is_witnessed(plan: Plan) -> bool:
    logging = plan.branch.logging
    return logging is not None and is_told(logging, THREAT_DETECTED)


# ---------------------------------------------------------------- weakening


def list_spoils(plan: Plan) -> tuple[Spoil, ...]:
    threats = plan.branch.threats
    if threats is None:
        return ()
    found: list[Spoil] = []
    if threats.action == "drop" and any(s != PORT_SCAN for s in threats.signatures):
        found.append(Spoil("told, not dropped", "threats.action", _set(action="alert")))
    for place, signature in enumerate(threats.signatures):
        rest = [other for other in threats.signatures if other != signature]
        found.append(Spoil(f"{signature} not looked for", f"threats.signatures[{place}]", _set(signatures=rest)))
    used = {way.segment.name for way, _ in list_used(plan)}
    for place, name in enumerate(threats.segments):
        if name in used:
            others = [other for other in threats.segments if other != name]
            found.append(Spoil(f"{name} not watched", f"threats.segments[{place}]", _set(segments=others)))
    return (*found, Spoil("nothing watched", "threats", lambda config: config.update(threats=None)))


def _set(**fields: Any) -> Callable[[dict[str, Any]], None]:
    return lambda config: config["threats"].update(fields)
