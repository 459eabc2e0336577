"""What a link's capture holds: protected packets, packets in clear, sizes. Layer: stand-in, pure (bytes to counts).

Every frame is counted in exactly one of ``ike``, ``esp_udp``, ``esp``, ``nat_keepalive`` or one key of ``other``, so
these add up to ``packets``. ``clear`` and ``fragments`` cut across: a packet is in clear when an address of its
outermost IP header lies in one of the `inside` networks; a first fragment counts under its class too.

UDP 4500 is told apart by RFC 3948: one octet 0xFF is a keepalive (section 2.3), four zero octets (where an SPI would
stand) mark IKE (section 2.2), the rest is ESP (section 2.1). Not here: capturing (capture.py), judging.
"""

from __future__ import annotations

import ipaddress
import struct
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

IKE_PORT = 500  # RFC 7296 section 2
NATT_PORT = 4500  # RFC 7296 section 2.23, RFC 3948 section 2.1
KEEPALIVE = b"\xff"  # RFC 3948 section 2.3
NON_ESP_MARKER = bytes(4)  # RFC 3948 section 2.2
ESP_PROTOCOL = 50  # RFC 4303 section 2
MAX_EXAMPLES = 5

# pcap-linktype(7). Frames: where the ethertype stands and where the network layer begins.
_LINK_RAW = (101, 12)
_LINK_FRAMES = {1: (12, 14), 113: (14, 16), 276: (0, 20)}  # Ethernet, Linux cooked v1, v2
_NAMES = {1: "icmp", 6: "tcp", 17: "udp", 58: "icmp6"}  # IANA, Protocol Numbers
_ETHER_IP, _ETHER_ARP, _ETHER_IP6, _ETHER_VLAN = 0x0800, 0x0806, 0x86DD, 0x8100

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class CensusError(ValueError):
    """The bytes are not a capture that can be read."""


@dataclass(slots=True)
class _Tally:
    counts: Counter[str] = field(default_factory=Counter)
    other: Counter[str] = field(default_factory=Counter)
    sizes: Counter[int] = field(default_factory=Counter)
    examples: list[str] = field(default_factory=list)


def census(pcap_bytes: bytes, inside: Iterable[str], since_ns: int = 0) -> dict[str, Any]:
    """Count what a capture holds from an instant on (wall clock, ns). A last record cut short (the capture still runs)
    is left out. Raises: CensusError."""
    networks = [ipaddress.ip_network(text) for text in inside]
    tally = _Tally()
    for ethertype, payload in _packets(pcap_bytes, since_ns):
        tally.counts["packets"] += 1
        if ethertype == _ETHER_IP:
            _count_ip4(tally, payload, networks)
        elif ethertype == _ETHER_IP6:
            _count_ip6(tally, payload, networks)
        else:
            tally.other["arp" if ethertype == _ETHER_ARP else f"ethertype/0x{ethertype:04x}"] += 1
    names = ("packets", "clear", "ike", "esp_udp", "esp", "nat_keepalive", "fragments")
    return {
        **{name: tally.counts[name] for name in names},
        "clear_examples": tally.examples,
        "other": dict(sorted(tally.other.items())),
        "esp_sizes": [[size, count] for size, count in sorted(tally.sizes.items())],
        "esp_outer_max_bytes": max(tally.sizes, default=0),
    }


def classify_natt(payload: bytes) -> str:
    """Return what a UDP 4500 payload is: ``nat_keepalive``, ``ike``, ``esp_udp``, or else ``short``."""
    if payload == KEEPALIVE:
        return "nat_keepalive"
    if len(payload) < 4:
        return "short"
    return "ike" if payload[:4] == NON_ESP_MARKER else "esp_udp"


def _packets(pcap_bytes: bytes, since_ns: int) -> Iterator[tuple[int, bytes]]:
    """Yield (ethertype, network layer bytes) of each whole record stamped at or after `since_ns`."""
    order = {0xA1B2C3D4: "<", 0xA1B23C4D: "<", 0xD4C3B2A1: ">", 0x4D3CB2A1: ">"}  # micro- and nanosecond magics
    magic = struct.unpack_from("<I", pcap_bytes)[0] if len(pcap_bytes) >= 24 else None
    if magic not in order:
        raise CensusError(f"expected a pcap file, saw {len(pcap_bytes)} bytes that begin {pcap_bytes[:4].hex()!r}")
    link = struct.unpack_from(order[magic] + "I", pcap_bytes, 20)[0] & 0xFFFF
    if link not in (*_LINK_RAW, *_LINK_FRAMES):
        raise CensusError(f"expected a capture of Ethernet, raw IP or Linux cooked frames, saw link type {link}")
    record = struct.Struct(order[magic] + "IIII")  # seconds and fraction, captured length, length on the wire
    fraction_ns = 1 if magic in (0xA1B23C4D, 0x4D3CB2A1) else 1000
    offset = 24
    while offset + record.size <= len(pcap_bytes):
        seconds, fraction, captured, _ = record.unpack_from(pcap_bytes, offset)
        offset += record.size + captured
        if offset > len(pcap_bytes):
            return
        if seconds * 10**9 + fraction * fraction_ns < since_ns:
            continue
        yield _strip_link(link, pcap_bytes[offset - captured : offset])


def _strip_link(link: int, frame: bytes) -> tuple[int, bytes]:
    if link in _LINK_RAW:
        return (_ETHER_IP6 if frame[:1] and frame[0] >> 4 == 6 else _ETHER_IP), frame
    offset, header = _LINK_FRAMES[link]
    ethertype = int.from_bytes(frame[offset : offset + 2], "big")
    while ethertype == _ETHER_VLAN:  # IEEE 802.1Q tag: TCI, then the next type
        ethertype, header = int.from_bytes(frame[header + 2 : header + 4], "big"), header + 4
    return ethertype, frame[header:]


def _count_ip4(tally: _Tally, packet: bytes, networks: list[Network]) -> None:
    header_bytes = (packet[0] & 15) * 4 if packet else 0
    if len(packet) < 20 or packet[0] >> 4 != 4 or header_bytes < 20:
        tally.other["ip/malformed"] += 1
        return
    total = int.from_bytes(packet[2:4], "big") or len(packet)  # 0 where the kernel hands over one large segment
    flags = int.from_bytes(packet[6:8], "big")
    first = not flags & 0x1FFF
    if not first or flags & 0x2000:
        tally.counts["fragments"] += 1
    payload = packet[header_bytes:total]
    kind = _classify(packet[9], payload) if first else f"fragment/{packet[9]}"
    ends = ipaddress.IPv4Address(packet[12:16]), ipaddress.IPv4Address(packet[16:20])
    _note(tally, kind, total, ends, networks)


def _count_ip6(tally: _Tally, packet: bytes, networks: list[Network]) -> None:
    if len(packet) < 40 or packet[0] >> 4 != 6:
        tally.other["ip6/malformed"] += 1
        return
    total = int.from_bytes(packet[4:6], "big") + 40
    ends = ipaddress.IPv6Address(packet[8:24]), ipaddress.IPv6Address(packet[24:40])
    if packet[6] == 44:  # fragment header, RFC 8200 section 4.5
        tally.counts["fragments"] += 1
    _note(tally, _classify(packet[6], packet[40:total]), total, ends, networks)


def _classify(protocol: int, payload: bytes) -> str:
    if protocol == ESP_PROTOCOL:
        return "esp"
    name = _NAMES.get(protocol, f"proto/{protocol}")
    if name in ("icmp", "icmp6"):
        return f"{name}/{payload[0]}" if payload else f"{name}/cut"
    if name in ("tcp", "udp"):
        return _classify_ports(name, payload) if len(payload) >= 8 else f"{name}/cut"
    return name


def _classify_ports(name: str, payload: bytes) -> str:
    ports = int.from_bytes(payload[0:2], "big"), int.from_bytes(payload[2:4], "big")
    if name == "udp" and NATT_PORT in ports:
        kind = classify_natt(payload[8 : max(8, int.from_bytes(payload[4:6], "big"))])
        return f"udp/{NATT_PORT}/short" if kind == "short" else kind
    if name == "udp" and IKE_PORT in ports:
        return "ike"
    return f"{name}/{min(ports)}"  # common practice: the lower port is the service's


def _note(tally: _Tally, kind: str, total: int, ends: tuple[Any, Any], networks: list[Network]) -> None:
    if kind in ("ike", "esp_udp", "esp", "nat_keepalive"):
        tally.counts[kind] += 1
    else:
        tally.other[kind] += 1
    if kind in ("esp", "esp_udp"):
        tally.sizes[total] += 1
    if any(end in network for end in ends for network in networks):
        tally.counts["clear"] += 1
        if len(tally.examples) < MAX_EXAMPLES:
            tally.examples.append(f"{ends[0]} > {ends[1]} {kind} {total} bytes")
