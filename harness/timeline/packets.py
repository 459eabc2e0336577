"""The packets of a capture that tell a story: when each came, what it was, and its number. Layer: timeline, pure.

A capture gives each packet wall-clock time. Only IPv4 over Ethernet, raw IP and Linux cooked frames is looked into
(pcap-linktype(7)); all else is a packet of no class. Not here: the file (pcap.py), counting all classes
(emulators/common).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import IPv4Address

from harness.timeline.pcap import read_capture

_HEADS = {1: (12, 14), 113: (14, 16), 276: (0, 20)}
_RAW = (101, 12)
_ETHER_IP, _VLAN = 0x0800, 0x8100
ICMP, TCP, UDP = 1, 6, 17  # IANA, Protocol Numbers
_IKE_EXCHANGES = {34: "IKE_SA_INIT", 35: "IKE_AUTH", 36: "CREATE_CHILD_SA", 37: "INFORMATIONAL"}  # RFC 7296 3.1
_DHCP_TYPES = {1: "DISCOVER", 2: "OFFER", 3: "REQUEST", 4: "DECLINE", 5: "ACK", 6: "NAK", 7: "RELEASE", 8: "INFORM"}
"""RFC 2132 section 9.6."""
_COOKIE = b"\x63\x82\x53\x63"  # RFC 2131 section 3


@dataclass(frozen=True, slots=True)
class Packet:
    """`wall_ns`: when it came, by the capturing node's clock. `cls`: ``ike``, ``dhcp``, ``dns``, ``tls``, ``echo`` or
    empty; `text`: who to whom, and what."""

    number: int
    wall_ns: int
    cls: str
    text: str


def read_packets(content: bytes) -> Iterator[Packet]:
    """Yield every packet of a capture. Raises: PcapError."""
    capture = read_capture(content)
    for record in capture.records:
        cls, text = _classify(_strip(capture.link_type, record.data))
        yield Packet(record.number, capture.find_ns(record), cls, text)


def _strip(link: int, frame: bytes) -> bytes:
    """Return the IPv4 packet of a frame, or nothing."""
    if link in _RAW:
        return frame
    if link not in _HEADS:
        return b""
    place, head = _HEADS[link]
    ethertype = int.from_bytes(frame[place : place + 2], "big")
    while ethertype == _VLAN and len(frame) >= head + 4:  # IEEE 802.1Q
        ethertype, head = int.from_bytes(frame[head + 2 : head + 4], "big"), head + 4
    return frame[head:] if ethertype == _ETHER_IP else b""


def _classify(packet: bytes) -> tuple[str, str]:
    head = (packet[0] & 15) * 4 if packet else 0
    if len(packet) < 20 or packet[0] >> 4 != 4 or head < 20 or int.from_bytes(packet[6:8], "big") & 0x1FFF:
        return "", ""
    ends = f"{IPv4Address(packet[12:16])} > {IPv4Address(packet[16:20])}"
    protocol, body = packet[9], packet[head : int.from_bytes(packet[2:4], "big") or None]
    if protocol == ICMP and body[:1] in (b"\x08", b"\x00"):
        return "echo", f"{ends} echo {'request' if body[0] else 'reply'}"
    if protocol == UDP and len(body) >= 8:
        return _classify_udp(ends, int.from_bytes(body[0:2], "big"), int.from_bytes(body[2:4], "big"), body[8:])
    if protocol == TCP and len(body) >= 20:
        ports = int.from_bytes(body[0:2], "big"), int.from_bytes(body[2:4], "big")
        if 443 in ports and len(body) > (body[12] >> 4) * 4:
            return "tls", f"{ends} TLS"
    return "", ""


def _classify_udp(ends: str, source: int, target: int, data: bytes) -> tuple[str, str]:
    ports = {source, target}
    if 4500 in ports and data[:4] == bytes(4):  # RFC 3948 section 2.2: the non-ESP marker
        return _describe_ike(ends, data[4:])
    if 500 in ports:
        return _describe_ike(ends, data)
    if ports <= {67, 68} and data[236:240] == _COOKIE:
        return "dhcp", f"{ends} DHCP{_find_dhcp_type(data[240:])}"
    if 53 in ports:
        return "dns", f"{ends} DNS {'answer' if data[2:3] and data[2] & 0x80 else 'question'}"
    return "", ""


def _describe_ike(ends: str, message: bytes) -> tuple[str, str]:
    if len(message) < 28:
        return "", ""
    exchange = _IKE_EXCHANGES.get(message[18], f"exchange {message[18]}")
    kind = "response" if message[19] & 0x20 else "request"  # RFC 7296 section 3.1, flag R
    return "ike", f"{ends} {exchange} {kind} {int.from_bytes(message[20:24], 'big')}"


def _find_dhcp_type(options: bytes) -> str:
    at = 0
    while at + 2 < len(options) and options[at] != 255:
        if options[at] == 0:  # pad
            at += 1
        elif options[at] == 53:
            return _DHCP_TYPES.get(options[at + 2], f" type {options[at + 2]}")
        else:
            at += 2 + options[at + 1]
    return ""
