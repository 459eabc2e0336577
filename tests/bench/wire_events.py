"""Finds, in a run's captures, the packets of the events that end stages. Pure: bytes and observations in, instants out.

Every finder returns wall time in nanoseconds, as the capture stamps packets, or None where there is no such packet.
How an encrypted exchange is told apart is said at each finder; never by being near in time to what it is compared with.
"""

from __future__ import annotations

import io
import ipaddress
import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

import dpkt

IKE_NAT_PORT, NON_ESP_MARKER = 4500, bytes(4)  # RFC 3948 sections 2.1, 2.2
IKE_AUTH, IKE_RESPONSE_FLAG = 35, 0x20  # RFC 7296 section 3.1: exchange type at octet 18, flags at octet 19
TLS_APPLICATION_DATA, TLS_HEADER_BYTES = 23, 5  # RFC 8446 section 5.1
HTTPS_PORT = 443
DNS_PORT = 53


@dataclass(frozen=True, slots=True)
class Packet:
    """One IPv4 packet of a capture. `content` is what follows its transport header, cut where the capture cut it;
    `content_bytes` is how much that was on the wire."""

    at_ns: int
    source: str
    destination: str
    protocol: int
    ports: tuple[int, int]
    sequence: int
    content: bytes
    content_bytes: int


def read_packets(capture: bytes) -> Iterator[Packet]:
    """Read the IPv4 packets of an Ethernet capture. A stamp has the capture's own resolution."""
    for stamp, frame in dpkt.pcap.Reader(io.BytesIO(capture)):
        if frame[12:14] == b"\x08\x00" and len(frame) >= 42:
            packet = _read_packet(int(Decimal(repr(stamp)) * 10**9), frame[14:])
            if packet is not None:
                yield packet


def _read_packet(at_ns: int, raw: bytes) -> Packet | None:
    head, total, protocol = (raw[0] & 15) * 4, struct.unpack_from("!H", raw, 2)[0], raw[9]
    source, destination = (str(ipaddress.IPv4Address(raw[at : at + 4])) for at in (12, 16))
    if len(raw) < head + 8:
        return None
    ports, sequence, own = (0, 0), 0, 0
    if protocol == dpkt.ip.IP_PROTO_TCP and len(raw) >= head + 20:
        *ports_found, sequence = struct.unpack_from("!HHI", raw, head)
        ports, own = (ports_found[0], ports_found[1]), (raw[head + 12] >> 4) * 4
    elif protocol == dpkt.ip.IP_PROTO_UDP:
        first, second = struct.unpack_from("!HH", raw, head)
        ports, own = (first, second), 8
    content = raw[head + own : total]
    return Packet(at_ns, source, destination, protocol, ports, sequence, content, total - head - own)


def find_first_out(packets: list[Packet], nat_address: str, destination: str, protocol: int) -> int | None:
    """The first packet that the carrier sent on for the branch to a destination (its own DNS questions left out)."""
    for packet in packets:
        if (packet.source, packet.destination, packet.protocol) == (nat_address, destination, protocol) and (
            packet.ports[1] != DNS_PORT
        ):
            return packet.at_ns
    return None


def find_name_answer(packets: list[Packet], resolver: str, name: str) -> int | None:
    """The answer for a name that reached the carrier's resolver from the one above it: what it then tells the branch
    lies in the radio link's delay for a while."""
    wanted = b"".join(bytes([len(label)]) + label.encode() for label in name.rstrip(".").split(".")) + b"\0"
    for packet in packets:
        if packet.destination == resolver and packet.ports[0] == DNS_PORT and wanted in packet.content.lower():
            return packet.at_ns
    return None


def find_auth_response(packets: list[Packet]) -> int | None:
    """The HQ gateway's IKE_AUTH response: message type and direction stand in the clear header."""
    for packet in packets:
        message = packet.content[4:]
        marked = IKE_NAT_PORT in packet.ports and packet.content[:4] == NON_ESP_MARKER and len(message) >= 28
        if marked and message[18] == IKE_AUTH and message[19] & IKE_RESPONSE_FLAG:
            return packet.at_ns
    return None


def find_echo(packets: list[Packet], source: str, identifier: int, number: int) -> int | None:
    """The echo request with those numbers (RFC 792)."""
    wanted = struct.pack("!HH", identifier, number)
    for packet in packets:
        icmp = packet.content
        if packet.source == source and packet.protocol == 1 and icmp[:1] == b"\x08" and icmp[4:8] == wanted:
            return packet.at_ns
    return None


class ManagementTalk:
    """What the management server sent, as far as a packet is one whole TLS record.

    A 204 has no body and the same header fields each time, so all of them are one record of one length, and no other
    length is as frequent. That gives the 204s on the wire in order, to be matched one to one with those that the server
    reported, in order; where their numbers differ nothing may be matched.
    """

    def __init__(self, packets: list[Packet], server: str) -> None:
        sent = [p for p in packets if p.source == server and p.ports[0] == HTTPS_PORT and _is_whole(p)]
        first = {(p.ports, p.sequence): p for p in reversed(sent)}  # not those that were sent again
        self._records = sorted(first.values(), key=lambda p: p.at_ns)
        lengths = Counter(p.content_bytes for p in self._records)
        length = lengths.most_common(1)[0][0] if lengths else 0
        self._empties = [i for i, p in enumerate(self._records) if p.content_bytes == length]

    @property
    def count(self) -> int:
        """How many 204s were sent."""
        return len(self._empties)

    def find_empty(self, number: int) -> int:
        """When the 204 of that number (from 0) was sent; the first time, where it was sent again."""
        return self._records[self._empties[number]].at_ns

    def find_head_before(self, number: int) -> int | None:
        """When the answer before that 204 on its connection began: its header is a record of its own, and its body,
        longer than a packet, is none of these."""
        place = self._empties[number]
        ports = self._records[place].ports
        return next((p.at_ns for p in reversed(self._records[:place]) if p.ports == ports), None)


def _is_whole(packet: Packet) -> bool:
    head = packet.content[:TLS_HEADER_BYTES]
    return (
        len(head) == TLS_HEADER_BYTES
        and head[0] == TLS_APPLICATION_DATA
        and struct.unpack("!H", head[3:])[0] + TLS_HEADER_BYTES == packet.content_bytes
    )
