"""Read what matters of an IPv4 packet with TCP or UDP in it. Layer: router firmware, pure.

RFC 791 section 3.1, RFC 9293 section 3.1, RFC 768. The kernel has put fragments together before (conntrack does).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

TCP, UDP = 6, 17  # IANA, Protocol Numbers
FIN, SYN, RST, ACK = 1, 2, 4, 16


@dataclass(frozen=True, slots=True)
class Packet:
    """`sequence` is the first payload byte's; of UDP, `flags` and `sequence` are 0."""

    protocol: int
    source: str
    source_port: int
    destination: str
    port: int
    flags: int
    sequence: int
    payload: bytes

    @property
    def ends(self) -> tuple[str, int, str, int]:
        """Return who sends to whom: one direction of a connection."""
        return self.source, self.source_port, self.destination, self.port

    @property
    def answered_ends(self) -> tuple[str, int, str, int]:
        """Return the other direction's."""
        return self.destination, self.port, self.source, self.source_port

    @property
    def opens(self) -> bool:
        """Say whether it is the first of a connection."""
        return self.flags & (SYN | ACK) == SYN


def parse_packet(data: bytes) -> Packet | None:
    """Return the packet; None for one that is no whole IPv4 packet with TCP or UDP."""
    if len(data) < 20 or data[0] >> 4 != 4:
        return None
    start, whole, protocol = (data[0] & 15) * 4, int.from_bytes(data[2:4], "big"), data[9]
    if start < 20 or whole > len(data) or int.from_bytes(data[6:8], "big") & 0x3FFF:
        return None
    body = data[start:whole] if whole else data[start:]  # 0: a segment larger than the field can say
    source, destination = (str(IPv4Address(data[at : at + 4])) for at in (12, 16))
    if protocol == UDP and len(body) >= 8:
        ports = struct.unpack_from("!HH", body)
        return Packet(UDP, source, ports[0], destination, ports[1], 0, 0, body[8:])
    if protocol != TCP or len(body) < 20:
        return None
    source_port, port, sequence = struct.unpack_from("!HHL", body)
    offset, flags = (body[12] >> 4) * 4, body[13]
    if offset < 20 or offset > len(body):
        return None
    sequence = (sequence + bool(flags & SYN)) & 0xFFFFFFFF
    return Packet(TCP, source, source_port, destination, port, flags, sequence, body[offset:])
