"""Read the ICMP echoes that arrive on a link. Layer: stand-in, pure."""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address

_ICMP, _ECHO = 1, 8  # RFC 791 3.1 (protocol), RFC 792 (type)


@dataclass(frozen=True, slots=True)
class Echo:
    """An echo request. `bytes` is the IPv4 packet's size."""

    source: str
    id: int
    seq: int
    bytes: int


def parse_echo(packet: bytes) -> Echo | None:
    """Return the echo request in an IPv4 packet, None for anything else."""
    if len(packet) < 20 or packet[0] >> 4 != 4 or packet[9] != _ICMP:
        return None
    header = (packet[0] & 0x0F) * 4
    if int.from_bytes(packet[6:8], "big") & 0x1FFF or len(packet) < header + 8 or packet[header] != _ECHO:
        return None  # a later fragment has no ICMP header
    word = packet[header + 4 : header + 8]
    return Echo(
        str(IPv4Address(packet[12:16])),
        int.from_bytes(word[:2], "big"),
        int.from_bytes(word[2:], "big"),
        int.from_bytes(packet[2:4], "big"),
    )
