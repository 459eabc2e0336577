"""One thing that happened, and how an observation, a log line or a packet becomes one. Layer: timeline, pure.

Clocks. An observation's `at_ns` is in the harness's monotonic domain already, and so is the first stamp of a line in
nodes/*.log (when it was received). Its second stamp, where there is one, is the node's own monotonic clock as it wrote
the line: less the lab's clock offset it is in the same domain, and nearer to the truth. A packet has wall-clock time:
of the capturing node, whose own observations carry wall and monotonic time together (`wall_ns` less `at_ns`); the
router's own clock, which is stepped, is never used.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from harness.core.model import Observation
from harness.timeline.packets import Packet

KINDS = ("stage", "at", "radio", "restconf", "dhcp", "dns", "ike", "echo", "syslog", "probe", "event", "log")
_BY_KIND = {
    "at.command": "at",
    "at.response": "at",
    "attach.accepted": "radio",
    "attach.refused": "radio",
    "pdn.granted": "radio",
    "pdn.refused": "radio",
    "restconf.exchanged": "restconf",
    "session.refused": "restconf",
    "data.requested": "restconf",
    "report.received": "restconf",
    "echo.received": "echo",
    "dhcp.leased": "dhcp",
    "lease.obtained": "dhcp",
    "name.answered": "dns",
    "command.done": "probe",
}
_IKE = ("sa.", "child.", "tunnel.", "gateway.")
_LATE_S = 120.0
"""A second stamp further before the first than this is no stamp of ours: a daemon's own number."""
_LINE = re.compile(r"(\d+\.\d{6}) (?:(\d+\.\d{3}) )?(.*)")
MOST_VALUE = 200


@dataclass(frozen=True, slots=True)
class Entry:
    """`pointer`: where to look: an observation's number, a log's line, a capture's packet."""

    at_ns: int
    node: str
    kind: str
    text: str
    pointer: str
    stage: str = ""


def read_observation(number: int, seen: Observation) -> Entry:
    """Return an observation as an entry."""
    kind = _BY_KIND.get(seen.kind) or ("ike" if seen.kind.startswith(_IKE) else "event")
    if seen.kind.startswith("log."):
        kind = "syslog"
    return Entry(seen.at_ns, seen.source, kind, _tell(seen), f"obs {number}")


def _tell(seen: Observation) -> str:
    data = seen.data
    match seen.kind:
        case "at.command" | "at.response":
            port = f"(port {data['port']}) " if "port" in data else ""
            return f"{'>' if seen.kind == 'at.command' else '<'} {port}{data.get('line', '')}"
        case "restconf.exchanged":
            tag = f" {data['error_tag']}" if data.get("error_tag") else ""
            return f"{data.get('method')} {data.get('path')} {data.get('status')}{tag}: {data.get('summary')}"
        case "log.received":
            app = f"{data.get('hostname')} {data.get('app')}[{data.get('procid')}]"
            return f"<{data.get('facility')}.{data.get('severity')}> {data.get('timestamp')} {app}: {data.get('text')}"
        case "command.done":
            said = data.get("error") if not data.get("ok") else _tell_value(data.get("result"))
            return f"{data.get('verb')} ({data.get('label') or 'no label'}): {said}"
    told = " ".join(f"{key}={_tell_value(value)}" for key, value in data.items())
    return f"{seen.kind} {told}".rstrip()


def _tell_value(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= MOST_VALUE else f"{text[:MOST_VALUE]}..."


def read_log(node: str, text: str, offset_ns: int) -> Iterator[Entry]:
    """Yield the lines of a node's log. `offset_ns`: node clock less harness clock. A line without a stamp (of a note on
    lines that were dropped) belongs to the one after: it is given its time."""
    held: list[tuple[int, str]] = []
    for number, line in enumerate(text.split("\n"), 1):
        match = _LINE.fullmatch(line)
        if match is None:
            if line.strip():
                held.append((number, line))
            continue
        at_ns = _find_log_ns(match, offset_ns)
        for before, words in held:
            yield Entry(at_ns, node, "log", words, f"nodes/{node}.log:{before}")
        held.clear()
        yield Entry(at_ns, node, _find_log_kind(match[3]), match[3], f"nodes/{node}.log:{number}")


def _find_log_ns(match: re.Match[str], offset_ns: int) -> int:
    received_ns = round(float(match[1]) * 1e9)
    if match[2] is None:
        return received_ns
    own_ns = round(float(match[2]) * 1e9) - offset_ns
    is_own = received_ns - _LATE_S * 1e9 <= own_ns <= received_ns + 1e6  # 1 ms: its own stamp is rounded to that
    return min(own_ns, received_ns) if is_own else received_ns


def _find_log_kind(text: str) -> str:
    if "charon" in text[:40]:
        return "ike"
    is_dhcp = text.startswith(("udhcpc", "dhcp on ")) or (" DHCP" in text[:60] and "dnsmasq" in text[:20])
    return "dhcp" if is_dhcp else "log"


@dataclass(frozen=True, slots=True)
class WallClock:
    """Wall clock less the harness's monotonic one, and by how much it was seen to differ from that."""

    offset_ns: int
    spread_ns: int


ROUTER = "router"
"""The one node with a clock of its own; all others show the clock of the kernel that they share."""


def measure_wall(observations: Sequence[Observation], node: str) -> WallClock | None:
    """Return a node's wall clock, from what it said itself, else from what others on its kernel said; None where nobody
    said anything."""
    own = [o.wall_ns - o.at_ns for o in observations if o.source == node]
    offsets = own or [o.wall_ns - o.at_ns for o in observations if o.source != ROUTER]
    if not offsets:
        return None
    middle = round(median(offsets))
    return WallClock(middle, max(abs(o - middle) for o in offsets))


PACKETS = {"ike": "ike", "dhcp": "dhcp"}
"""Classes of packets that are told by themselves. Others only show where to look."""
_SEEN_AS = {
    "echo": ("echo", ("hq-gateway-hqlan",)),
    "restconf": ("tls", ("carrier-inet", "internet-fixed", "internet-inet")),
    "dns": ("dns", ("carrier-gtp0", "internet-fixed", "internet-inet")),
    "dhcp": ("dhcp", ("internet-fixed",)),
    "ike": ("ike", ("hq-gateway-inet",)),
}
"""Kind of an observation: class of the packets that it rests on, and the captures to look in, best first."""


@dataclass(frozen=True, slots=True)
class Capture:
    """A capture's packets of a class, with the instant of each in the harness's domain."""

    name: str
    packets: Sequence[tuple[int, Packet]]


def place_packets(name: str, packets: Iterable[Packet], wall: WallClock) -> Capture:
    """Return a capture whose packets are in the harness's domain, in order of time."""
    placed = [(p.wall_ns - wall.offset_ns, p) for p in packets if p.cls]
    return Capture(name, sorted(placed, key=lambda pair: pair[0]))


def tell_packets(capture: Capture, node: str) -> Iterator[Entry]:
    """Yield the packets that are told by themselves."""
    for at_ns, packet in capture.packets:
        if packet.cls in PACKETS:
            yield Entry(at_ns, node, PACKETS[packet.cls], packet.text, f"{capture.name}#{packet.number}")


def point_to_packet(entry: Entry, captures: Mapping[str, Capture]) -> Entry:
    """Return an observation's entry with the last packet before it that it can rest on, at most a second before."""
    wanted = _SEEN_AS.get(entry.kind)
    if wanted is None or not entry.pointer.startswith("obs"):
        return entry
    cls, names = wanted
    for name in names:
        capture = captures.get(f"captures/{name}.pcap")
        found = _find_last(capture.packets, cls, entry.at_ns) if capture else None
        if capture and found:
            return replace(entry, pointer=f"{entry.pointer}, {capture.name}#{found.number}")
    return entry


def _find_last(packets: Sequence[tuple[int, Packet]], cls: str, at_ns: int) -> Packet | None:
    low, high = 0, len(packets)
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if packets[middle][0] <= at_ns else (low, middle)
    for when_ns, packet in reversed(packets[:low]):
        if at_ns - when_ns > 1_000_000_000:
            return None
        if packet.cls == cls:
            return packet
    return None
