"""What the check `qos` sends, from where, and when. Layer: checks, pure.

Three acts, one after the other: each class at its guaranteed rate alone (the control), then all of them while twice the
uplink's rate of best effort is offered, inside the tunnel and straight to the internet, then each class with a ceiling
above it. Rates of streams are those of their own packets; rates of classes those of packets as the uplink carries them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from emulators.common.controls import ANY, DSCP_VALUES, Qos, QosClass
from harness.checks._shared import HQ
from harness.core.entries import Evidence
from harness.core.model import Plan
from harness.core.proposals import parse_esp
from harness.core.sections import Segment
from harness.core.sizes import Suite, SuiteError, find_outer_bytes, parse_suite
from harness.stages._shared import find_client

INTERNET, INTERNET_ADDRESS = "internet", "198.18.0.1"  # DEVELOPERS.md, "Links"
PORT = 5004  # RFC 3551 section 8: RTP's, where any port may be used
TAKEN_PORTS = {53, 67, 68, 123, 161, 500, 514, 853, 1812, 4500, 6514}
"""Where the bench's own servers listen, or the router does something of its own."""
VOICE_BYTES = 200  # 20 ms of G.711 (RFC 3551 section 4.5.14) with RTP, UDP and IP headers
DATA_BYTES = 1000
SHARE = 0.97
"""Of the guaranteed rate that is offered: a sender's pace is even to a few per cent only, and where a rate is met in
full, a queue never empties again."""
OVER = 1.3
"""How far above its ceiling a class is offered."""
FLOOD = 2.0
"""How much best effort is offered, of the uplink's rate."""
JITTER = 0.9
"""Best effort comes unevenly: evenly spaced streams would take turns at a full queue, and one lose every packet."""
CONTROL_S, LOAD_AT_S, LOAD_S = 0.8, 1.1, 3.0
CEILINGS_AT_S, CEILING_S, CEILING_GAP_S = 4.6, 1.0, 0.3
LINGER_S = 0.7
"""How long after the last packet the figures are read: longer than any queue here is long."""
LISTEN_S = 45.0
MOST_BPS = 6_000_000
"""What the bench's senders and its user-space links saturate with certainty on two processors (measured: see the
figures of the benchmark)."""
INSIDE, DIRECT, MARKED = 401, 402, 403
"""The numbers of the best-effort streams: in the tunnel, straight out, and straight out with a mark of an untrusted."""


@dataclass(frozen=True, slots=True)
class Talker:
    client: str
    segment: Segment
    port: int


def find_talker(plan: Plan) -> Talker | None:
    """Return the first trusted client that may send UDP to HQ."""
    qos = plan.branch.qos
    return _find(plan, "hq", [s for s in plan.branch.segments if qos is not None and s.name in qos.trusted])


def find_flooder(plan: Plan) -> Talker | None:
    """Return a client that may send UDP to the internet: of a segment that is not trusted, if there is one."""
    qos = plan.branch.qos
    return _find(
        plan, "internet", sorted(plan.branch.segments, key=lambda s: qos is not None and s.name in qos.trusted)
    )


def _find(plan: Plan, place: str, segments: list[Segment]) -> Talker | None:
    for segment in segments:
        client, port = find_client(segment), find_udp_port(plan, segment, place)
        if client is not None and port is not None:
            return Talker(client, segment, port)
    return None


def find_udp_port(plan: Plan, segment: Segment, place: str) -> int | None:
    """Return a UDP port that the segment's clients may send to at a place, None where they may to none."""
    services = {service for row in segment.reach if row.to == place for service in row.open}
    applications = plan.branch.applications
    if place == "internet" and applications is not None and segment.name in applications.segments:
        by_port = {service for one in applications.allowed if one.by == "port" for service in one.open}
        services = by_port if ANY in services else services & by_port
    if ANY in services:
        return PORT
    ports = sorted(int(s.removeprefix("udp/")) for s in services if s.startswith("udp/"))
    return next((port for port in ports if port not in TAKEN_PORTS), None)


def find_default(qos: Qos) -> QosClass:
    """Return the class of best effort: df's, or else the last."""
    return next((one for one in qos.classes if "df" in one.dscp), qos.classes[-1])


def list_urgent(qos: Qos) -> tuple[tuple[int, QosClass], ...]:
    """Return every other class with its place."""
    return tuple((i, one) for i, one in enumerate(qos.classes) if one is not find_default(qos))


def has_ceiling(qos: Qos, one: QosClass) -> bool:
    """Say whether a class's ceiling shows beside the uplink's own rate."""
    return one.ceiling_bps < 0.95 * qos.uplink_bps


def list_ceilings(qos: Qos) -> tuple[tuple[int, QosClass], ...]:
    """Return the classes whose ceiling is tried, with their places."""
    return tuple((i, one) for i, one in list_urgent(qos) if has_ceiling(qos, one))


def packet_bytes(one: QosClass) -> int:
    """Return the size of the packets that stand for a class, as a client sends them."""
    return VOICE_BYTES if "ef" in one.dscp else DATA_BYTES


def control_flow(place: int) -> int:
    return 100 + place


def load_flow(place: int) -> int:
    return 200 + place


def ceiling_flow(place: int) -> int:
    return 300 + place


def mark_flow(place: int, nth: int) -> int:
    """Return the number of the stream that shows a class's further code points."""
    return 500 + 20 * place + nth


def find_esp_suite(plan: Plan, evidence: Evidence) -> Suite | None:
    """Return the sizes of the suite that HQ's gateway reported; where the tunnel was up before anybody looked, those of
    the profile's, if it has one only. None where they are not known."""
    child = evidence.find_last("hq-gateway", "child.installed")
    texts = plan.branch.tunnel.esp_proposals if child is None else (str(child.data.get("esp") or ""),)
    proposal, *others = dict.fromkeys(map(parse_esp, texts))
    if others:
        return None
    try:
        return parse_suite(proposal.encryption, proposal.integrity)
    except SuiteError:
        return None


def find_wire_bytes(size: int, suite: Suite) -> int:
    """Return what a packet for HQ is on the uplink: ESP in UDP (the router always has it so)."""
    return find_outer_bytes(size, suite, in_udp=True)


def list_streams(plan: Plan, qos: Qos, suite: Suite, talker: Talker) -> list[dict[str, Any]]:
    """Return what the trusted client sends to HQ."""
    to_hq = {"target": plan.branch.acceptance.ping_target, "port": talker.port}
    streams: list[dict[str, Any]] = []

    def add(
        flow: int, dscp: str, size: int, wire_bps: float, *, at_s: float, for_s: float, jitter: float = 0.0
    ) -> None:
        bps = round(wire_bps * size / find_wire_bytes(size, suite))
        one = {"flow": flow, "dscp": DSCP_VALUES[dscp], "bytes": size, "bps": bps}
        streams.append({**to_hq, **one, "start_s": round(at_s, 3), "seconds": for_s, "jitter": jitter})

    for place, one in list_urgent(qos):
        size, rate = packet_bytes(one), SHARE * one.guaranteed_bps
        add(control_flow(place), one.dscp[0], size, rate * 0.5, at_s=0.0, for_s=CONTROL_S)
        add(load_flow(place), one.dscp[0], size, rate, at_s=LOAD_AT_S, for_s=LOAD_S)
        for nth, name in enumerate(one.dscp[1:], start=1):
            add(mark_flow(place, nth), name, size, rate * 0.4 / len(one.dscp), at_s=0.0, for_s=CONTROL_S)
    flood = FLOOD / 2 if find_flooder(plan) else FLOOD
    add(INSIDE, "df", DATA_BYTES, flood * qos.uplink_bps, at_s=LOAD_AT_S, for_s=LOAD_S, jitter=JITTER)
    for nth, (place, one) in enumerate(list_ceilings(qos)):
        at_s = CEILINGS_AT_S + nth * (CEILING_S + CEILING_GAP_S)
        add(ceiling_flow(place), one.dscp[0], packet_bytes(one), OVER * one.ceiling_bps, at_s=at_s, for_s=CEILING_S)
    return streams


def list_flood(qos: Qos, flooder: Talker) -> list[dict[str, Any]]:
    """Return what the other client sends to the internet; where it is not trusted, half of it with the first class's
    mark."""
    base: dict[str, Any] = {"target": INTERNET_ADDRESS, "port": flooder.port, "bytes": DATA_BYTES,
                            "start_s": LOAD_AT_S, "seconds": LOAD_S, "jitter": JITTER}  # fmt: skip
    whole = FLOOD / 2 * qos.uplink_bps
    if flooder.segment.name in qos.trusted or not list_urgent(qos):
        return [{**base, "flow": DIRECT, "dscp": 0, "bps": round(whole)}]
    mark = DSCP_VALUES[list_urgent(qos)[0][1].dscp[0]]
    return [
        {**base, "flow": DIRECT, "dscp": 0, "bps": round(whole / 2)},
        {**base, "flow": MARKED, "dscp": mark, "bps": round(whole / 2)},
    ]


def list_ends(plan: Plan) -> tuple[tuple[str, int], ...]:
    """Return the nodes that listen, and on which port."""
    talker, flooder = find_talker(plan), find_flooder(plan)
    ends = [] if talker is None else [(HQ, talker.port)]
    return (*ends, *([] if flooder is None else [(INTERNET, flooder.port)]))
