"""The packets of the probes ``sweep``, ``scan`` and ``send``: built and read. Layer: shared by stand-ins, pure.

A *question* is a UDP datagram or an ICMP echo request whose data begin with QUESTION and a token: whoever sees it
knows which try it belongs to, whatever addresses it bears by then (NAT, a forged source). The answer to one by UDP
begins with ANSWER, so that no answer is ever taken for a question.

Sources: RFC 791 (IPv4 header), RFC 768 (UDP), RFC 792 (ICMP echo), RFC 9293 section 3.1 (TCP header), RFC 1071
(checksum), RFC 826 (ARP).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import Literal

QUESTION, ANSWER = b"bpQ?", b"bpA!"
MAX_TOKEN_BYTES = 64
TTL = 64  # RFC 1700, "IP time to live": the recommended default
ICMP, TCP, UDP = 1, 6, 17  # IANA, Protocol Numbers
SYN, RST, ACK = 0x02, 0x04, 0x10  # RFC 9293 section 3.1
ECHO_REPLY, ECHO_REQUEST = 0, 8  # RFC 792
ETHERTYPE_ARP, ETHERTYPE_IPV4 = 0x0806, 0x0800  # IEEE 802 numbers

Kind = Literal["icmp", "udp"]


@dataclass(frozen=True, slots=True)
class Question:
    """One question as it arrived. `port` is the destination's; None for ICMP."""

    token: str
    source: str
    destination: str
    protocol: Kind
    port: int | None
    source_port: int | None


def checksum(data: bytes) -> int:
    """Return the Internet checksum of bytes (RFC 1071)."""
    if len(data) % 2:
        data += b"\0"
    return fold(sum(struct.unpack(f"!{len(data) // 2}H", data)))


def fold(total: int) -> int:
    """Return the complement of a sum of 16-bit words, carries folded in."""
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def build_payload(token: str, head: bytes = QUESTION) -> bytes:
    """Return a question's data. Raises: ValueError for a token that does not fit in a line."""
    text = token.encode("ascii")
    if not 0 < len(text) <= MAX_TOKEN_BYTES or b"\n" in text:
        raise ValueError(f"token: expected 1 to {MAX_TOKEN_BYTES} ASCII characters in one line, saw {token!r}")
    return head + text + b"\n"


def parse_payload(data: bytes, head: bytes = QUESTION) -> str | None:
    """Return the token in a payload; None where it is none of ours."""
    if not data.startswith(head):
        return None
    token, end, _ = data[len(head) : len(head) + MAX_TOKEN_BYTES + 1].partition(b"\n")
    return token.decode("ascii", "replace") if end and token else None


def build_ipv4(source: str, destination: str, protocol: int, body: bytes) -> bytes:
    """Return an IPv4 packet without options (RFC 791 section 3.1)."""
    ends = IPv4Address(source).packed + IPv4Address(destination).packed
    head = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(body), 0, 0, TTL, protocol, 0) + ends
    return head[:10] + struct.pack("!H", checksum(head)) + head[12:] + body


def build_udp(source: str, destination: str, ports: tuple[int, int], data: bytes) -> bytes:
    """Return a UDP packet; `ports` are source's and destination's."""
    length = 8 + len(data)
    ends = IPv4Address(source).packed + IPv4Address(destination).packed
    head = struct.pack("!HHHH", *ports, length, 0)
    # RFC 768: a checksum of zero is sent as all ones
    check = checksum(ends + struct.pack("!BBH", 0, UDP, length) + head + data) or 0xFFFF
    return build_ipv4(source, destination, UDP, head[:6] + struct.pack("!H", check) + data)


def build_echo_request(ident: int, seq: int, data: bytes) -> bytes:
    """Return an ICMP echo request, without IPv4 header (RFC 792)."""
    head = struct.pack("!BBHHH", ECHO_REQUEST, 0, 0, ident, seq)
    return head[:2] + struct.pack("!H", checksum(head + data)) + head[4:] + data


def build_question(kind: Kind, ends: tuple[str, str], ports: tuple[int, int], token: str) -> bytes:
    """Return a whole IPv4 packet that asks: `ends` are source and destination, `ports` are used by UDP only."""
    data = build_payload(token)
    if kind == "udp":
        return build_udp(*ends, ports, data)
    return build_ipv4(*ends, ICMP, build_echo_request(ports[0], 1, data))


def parse_question(packet: bytes) -> Question | None:
    """Read an IPv4 packet; None for one that asks nothing of ours."""
    if len(packet) < 28 or packet[0] >> 4 != 4:
        return None
    start = (packet[0] & 15) * 4
    later_fragment = int.from_bytes(packet[6:8], "big") & 0x1FFF
    token = parse_payload(packet[start + 8 :]) if start >= 20 and not later_fragment else None
    if token is None:
        return None
    source, destination = (str(IPv4Address(packet[i : i + 4])) for i in (12, 16))
    if packet[9] == UDP:
        source_port, port = struct.unpack_from("!HH", packet, start)
        return Question(token, source, destination, "udp", port, source_port)
    if packet[9] == ICMP and packet[start] == ECHO_REQUEST:
        return Question(token, source, destination, "icmp", None, None)
    return None


def build_answer(question: Question) -> bytes | None:
    """Return the packet that answers a question by UDP; None for an echo, which the kernel answers."""
    if question.protocol != "udp" or question.port is None or question.source_port is None:
        return None
    ends, ports = (question.destination, question.source), (question.port, question.source_port)
    return build_udp(*ends, ports, build_payload(question.token, ANSWER))


# ---------------------------------------------------------------- TCP


class Syns:
    """SYNs from one source port to many ports of one target, each with a checksum got from the first one's sum."""

    def __init__(self, source: str, target: str, source_port: int, seq: int) -> None:
        ends = IPv4Address(source).packed + IPv4Address(target).packed
        self._port, self._seq = source_port, seq
        option = b"\x02\x04\x05\xb4"  # maximum segment size 1460 (RFC 9293 section 3.7.1)
        self._tail = struct.pack("!LLBBH", seq, 0, 6 << 4, SYN, 64240)
        self._option = option
        pseudo = ends + struct.pack("!BBHH", 0, TCP, 24, source_port) + self._tail + b"\0\0" + option
        self._sum = sum(struct.unpack(f"!{len(pseudo) // 2}H", pseudo))
        whole = build_ipv4(source, target, TCP, bytes(24))
        self._head = whole[:20]

    def build(self, port: int) -> bytes:
        """Return the whole packet for one port."""
        ports = struct.pack("!HH", self._port, port)
        check = struct.pack("!HH", fold(self._sum + port), 0)
        return self._head + ports + self._tail + check + self._option


def parse_syn_answer(packet: bytes, source_port: int, seq: int) -> tuple[str, int, Literal["open", "refused"]] | None:
    """Return (who, port, what it said) of the answer to a SYN of ours; None for any other packet."""
    if len(packet) < 40 or packet[0] >> 4 != 4 or packet[9] != TCP:
        return None
    start = (packet[0] & 15) * 4
    if len(packet) < start + 20:
        return None
    port, own, _, acked, _, flags = struct.unpack_from("!HHLLBB", packet, start)
    if own != source_port or acked != (seq + 1) & 0xFFFFFFFF:
        return None
    who = str(IPv4Address(packet[12:16]))
    if flags & RST:
        return who, port, "refused"
    return (who, port, "open") if flags & (SYN | ACK) == SYN | ACK else None


# ---------------------------------------------------------------- ARP


def build_arp_request(own_mac: bytes, own: str, target: str) -> bytes:
    """Return the broadcast frame that asks for the owner of an address (RFC 826)."""
    body = struct.pack("!HHBBH", 1, ETHERTYPE_IPV4, 6, 4, 1) + own_mac + IPv4Address(own).packed
    return b"\xff" * 6 + own_mac + struct.pack("!H", ETHERTYPE_ARP) + body + bytes(6) + IPv4Address(target).packed


def parse_arp(body: bytes) -> tuple[int, str, str] | None:
    """Return (operation, sender's address, target's address) of an ARP packet without its frame; None for another."""
    if len(body) < 28 or body[:6] != struct.pack("!HHBB", 1, ETHERTYPE_IPV4, 6, 4):
        return None
    return int.from_bytes(body[6:8], "big"), str(IPv4Address(body[14:18])), str(IPv4Address(body[24:28]))
