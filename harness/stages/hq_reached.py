"""hq_reached: a client behind the router reaches HQ, and what that connection is worth.

Reached when the client has its lease and the HQ endpoint saw the client's echo. What follows is measured on the same
connection: loss and round trip, the largest packet that crosses whole, a transfer, and whether anything of branch or HQ
went in clear over the internet's link.
"""

from __future__ import annotations

from typing import Any

from harness.core.entries import Evidence, Example, Hint, Need, Stage, as_count, as_number
from harness.core.model import Action, Ask, Finding, Observation, Plan
from harness.core.sample import answered, saw
from harness.core.sizes import ETHERNET_MTU_BYTES
from harness.core.timing import find_median
from harness.stages._hq_measures import (
    CENSUS,
    LARGEST,
    PING,
    TRANSFER,
    digest_stream,
    judge_clear,
    judge_largest,
    judge_ping,
    judge_transfer,
    judge_wire,
    read_round_trips,
)
from harness.stages._shared import (
    LEASE_TIMEOUT_S,
    ask_lease,
    find_client,
    find_hq_segment,
    find_segment_network,
    is_inside,
    label_lease,
)
from harness.stages.tunnel_up import CHILD

PING_INTERVAL_S = 0.2  # the shortest that ping(8) allows without privilege
PROBE_TIMEOUT_S = 2.0
TRANSFER_TIMEOUT_S = 60.0
LEAST_PACKET_BYTES = 576  # RFC 791 section 3.1: what every host must be able to take


def _client(plan: Plan) -> str:
    segment = find_hq_segment(plan)
    return (find_client(segment) if segment else None) or ""


def needs(plan: Plan) -> tuple[Need, ...]:
    client, segment = _client(plan), find_hq_segment(plan)
    networks = [find_segment_network(segment)] if segment else []
    router = segment.address.partition("/")[0] if segment else ""

    def is_lease(plan: Plan, seen: Observation) -> bool:
        data = seen.data
        return data.get("label") == label_lease(client) and data.get("ok") is True

    def is_ours(plan: Plan, seen: Observation) -> bool:
        source = seen.data.get("source")
        return is_inside(source, networks) and source != router  # the router's own echoes are no client's

    name = segment.name if segment else "any (no segment with a port may reach hq)"
    return (
        Need(client or "client", "command.done", is_lease, f"a client of segment {name} has a lease"),
        Need("hq-endpoint", "echo.received", is_ours, "the HQ endpoint sees the client's echo"),
    )


def act(plan: Plan, evidence: Evidence) -> tuple[Action, ...]:
    """One after the other: each measurement would disturb the next."""
    client, acceptance = _client(plan), plan.branch.acceptance
    if not client:
        return ()
    target = acceptance.ping_target
    ping = {
        "target": target,
        "count": acceptance.ping_count,
        "interval_s": PING_INTERVAL_S,
        "timeout_s": PROBE_TIMEOUT_S,
    }
    largest = {"target": target, "low": LEAST_PACKET_BYTES, "high": ETHERNET_MTU_BYTES}
    url = f"http://{target}:80/bytes/{acceptance.transfer_bytes}"
    witness, link = find_outer_link(plan.branch.uplinks[0])
    chain = (
        ask_lease(client),
        Ask(client, "ping", ping, PING),
        Ask(client, "largest", largest, LARGEST),
        Ask(client, "fetch_url", {"url": url, "timeout_s": TRANSFER_TIMEOUT_S}, TRANSFER),
        Ask(witness, "census", {"link": link, "inside": find_inside(plan)}, CENSUS),
    )
    due: list[Action] = []
    for ask in chain:
        due.append(ask)
        if evidence.find_answer(ask.label) is None:
            break
    return tuple(due)


def find_outer_link(uplink: str) -> tuple[str, str]:
    """Return who sees all that a branch sends over an uplink, and on which link of its own.

    At the carrier that is the inner side of GTP-U: on its internet side packets are translated already, and what has no
    way on never comes there.
    """
    return ("carrier", "gtp0") if uplink == "cellular" else ("internet", "fixed")


def find_inside(plan: Plan) -> list[str]:
    """Return the networks whose addresses must never be seen in clear: the branch's segments and HQ's."""
    networks = [find_segment_network(s) for s in plan.branch.segments]
    networks += [*plan.branch.tunnel.local_subnets, *plan.branch.tunnel.remote_subnets]
    return list(dict.fromkeys(networks))


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    return (
        *judge_ping(plan, evidence),
        judge_largest(plan, evidence),
        judge_transfer(plan, evidence),
        judge_clear(evidence),
        judge_wire(evidence),
    )


def summary(plan: Plan, evidence: Evidence) -> str:
    ping, largest, transfer = (evidence.find_answer(label) for label in (PING, LARGEST, TRANSFER))
    parts = []
    if ping is not None and ping.ok:
        median = find_median(read_round_trips(ping))
        soon = f", median {median:.1f} ms" if median is not None else ""
        parts.append(f"{ping.get('received')}/{ping.get('sent')} echoes{soon}")
    if largest is not None and largest.ok:
        parts.append(f"largest packet {largest.get('bytes')} bytes")
    took_s = as_number(transfer.get("took_s")) if transfer is not None and transfer.ok else None
    if transfer is not None and took_s:
        parts.append(f"{as_count(transfer.get('bytes')) * 8 / took_s / 1e6:.1f} Mbit/s")
    return ", ".join(parts)


STAGE = Stage(
    name="hq_reached",
    order=80,
    title="A client reaches HQ",
    witness="a client behind the router has a lease, and the HQ endpoint sees its echo",
    needs=needs,
    actions=act,
    judge=judge,
    summary=summary,
    hints=(
        Hint("hq-gateway", "child.removed", ("esp",)),
        Hint("router", "tunnel.down"),
        Hint("router", "uplink.down", ("reason",)),
    ),
    answers_within_s=LEASE_TIMEOUT_S + TRANSFER_TIMEOUT_S + 40.0,
)

_CLIENT = "client1"
_LEASE_RESULT = {
    "address": "10.20.10.100",
    "prefix": 24,
    "router": "10.20.10.1",
    "dns": ["10.20.10.1"],
    "lease_s": 3600,
    "t1_s": 1800.0,
    "t2_s": 3150.0,
}
LEASED = answered(_CLIENT, label_lease(_CLIENT), 31.0, _LEASE_RESULT)
_ECHO = saw("hq-endpoint", "echo.received", 31.5, source="10.20.10.100", id=7, seq=1, bytes=84)
_PINGED = answered(
    _CLIENT, PING, 34.0, {"sent": 10, "received": 10, "rtts_ms": [61.0 + i for i in range(10)], "note": None}
)
_LARGEST = answered(
    _CLIENT, LARGEST, 36.0, {"bytes": 1366, "tried": [], "next_hop_mtus": []}
)  # RFC 4303, 3948: by hand in tests
_TRANSFER = answered(
    _CLIENT,
    TRANSFER,
    38.0,
    {"status": 200, "bytes": 1_000_000, "sha256": digest_stream(1_000_000), "took_s": 1.2, "error": None},
)
_CENSUS_RESULT: dict[str, Any] = {"packets": 900, "clear": 0, "ike": 6, "esp_udp": 850, "esp": 0, "clear_examples": []}
_CENSUS_RESULT |= {"esp_outer_max_bytes": 1428, "fragments": 0, "dropped": 0}
_CENSUS = answered("carrier", CENSUS, 38.5, _CENSUS_RESULT)
_ALL = (CHILD, LEASED, _ECHO, _PINGED, _LARGEST, _TRANSFER, _CENSUS)


def _swap(old: Observation, new: Observation) -> tuple[Observation, ...]:
    return tuple(new if seen is old else seen for seen in _ALL)


EXAMPLES = (
    Example("lease, echoes, largest packet, transfer, nothing in clear", "PASS", _ALL),
    Example(
        "no lease",
        "FAIL",
        (CHILD, answered(_CLIENT, label_lease(_CLIENT), 31.0, None, "LeaseError: lan1: no DHCP lease within 20 s")),
    ),
    Example(
        "the client's probe breaks",
        "INCONCLUSIVE",
        (CHILD, answered(_CLIENT, label_lease(_CLIENT), 31.0, None, "OSError: no udhcpc")),
    ),
    Example(
        "no echo arrives",
        "FAIL",
        (CHILD, LEASED, answered(_CLIENT, PING, 34.0, {"sent": 10, "received": 0, "rtts_ms": []})),
    ),
    Example(
        "one echo of ten is lost",
        "FAIL",
        _swap(_PINGED, answered(_CLIENT, PING, 34.0, {"sent": 10, "received": 9, "rtts_ms": [60.0] * 9})),
    ),
    Example(
        "nine of ten could not even be sent",
        "FAIL",
        _swap(_PINGED, answered(_CLIENT, PING, 34.0, {"sent": 1, "received": 1, "rtts_ms": [60.0]})),
    ),
    Example(
        "the client tells of answers, but HQ saw the router's own echo alone",
        "FAIL",
        _swap(_ECHO, saw("hq-endpoint", "echo.received", 31.5, source="10.20.10.1", id=7, seq=1, bytes=84)),
    ),
    Example(
        "two echoes of ten take too long",
        "FAIL",
        _swap(
            _PINGED,
            answered(_CLIENT, PING, 34.0, {"sent": 10, "received": 10, "rtts_ms": [60.0] * 8 + [300.0] * 2}),
        ),
    ),
    Example(
        "a packet too large crosses, in fragments",
        "FAIL",
        _swap(_LARGEST, answered(_CLIENT, LARGEST, 36.0, {"bytes": 1370})),
    ),
    Example(
        "the transfer is cut",
        "FAIL",
        _swap(
            _TRANSFER,
            answered(
                _CLIENT,
                TRANSFER,
                38.0,
                {"status": 200, "bytes": 999_999, "sha256": "00", "took_s": 1.0, "error": "IncompleteRead"},
            ),
        ),
    ),
    Example(
        "something goes in clear",
        "FAIL",
        _swap(
            _CENSUS,
            answered(
                "carrier",
                CENSUS,
                38.5,
                {**_CENSUS_RESULT, "clear": 1, "clear_examples": ["10.20.10.100 > 10.200.0.10 icmp/8 84 bytes"]},
            ),
        ),
    ),
    Example(
        "the capture is not whole",
        "INCONCLUSIVE",
        _swap(_CENSUS, answered("carrier", CENSUS, 38.5, {**_CENSUS_RESULT, "dropped": 3})),
    ),
    Example(
        "the capture does not say whether it is whole",
        "INCONCLUSIVE",
        _swap(_CENSUS, answered("carrier", CENSUS, 38.5, {k: v for k, v in _CENSUS_RESULT.items() if k != "dropped"})),
    ),
    Example(
        "the capture lost the largest packet, perhaps",
        "INCONCLUSIVE",
        _swap(
            _CENSUS, answered("carrier", CENSUS, 38.5, {**_CENSUS_RESULT, "dropped": 3, "esp_outer_max_bytes": 1400})
        ),
    ),
    Example(
        "ESP goes out in fragments",
        "FAIL",
        _swap(_CENSUS, answered("carrier", CENSUS, 38.5, {**_CENSUS_RESULT, "fragments": 2})),
    ),
    Example(
        "packets on the wire are longer than the ciphers make them",
        "FAIL",
        _swap(_CENSUS, answered("carrier", CENSUS, 38.5, {**_CENSUS_RESULT, "esp_outer_max_bytes": 1444})),
    ),
    Example("the largest packet was not measured", "INCONCLUSIVE", tuple(s for s in _ALL if s is not _LARGEST)),
)
