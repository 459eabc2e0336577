"""ICMP echo as bytes, and the search for the largest packet that crosses. Layer: stand-in, pure.

Echo and echo reply by RFC 792; "fragmentation needed" with its next-hop MTU by RFC 1191 section 4; checksum by RFC
1071. Sizes are IPv4 packet sizes, header included. Not here: sockets and time (probes_largest.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

IP_HEADER_BYTES = 20  # RFC 791 section 3.1, without options
ECHO_HEADER_BYTES = 8  # RFC 792
LEAST_BYTES = IP_HEADER_BYTES + ECHO_HEADER_BYTES
LARGEST_BYTES = 65535  # RFC 791 section 3.1: total length is 16 bits

_ECHO_REPLY, _UNREACHABLE, _ECHO = 0, 3, 8  # RFC 792 types
_FRAGMENTATION_NEEDED = 4  # RFC 792 code of type 3


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back for an echo of ours. `next_hop_mtu`: of a ``too_big``; 0 where the sender did not say."""

    kind: Literal["reply", "too_big"]
    ident: int
    seq: int
    packet_bytes: int
    next_hop_mtu: int = 0


@dataclass(frozen=True, slots=True)
class Search:
    """`largest_bytes` is 0 when not even the lowest size crossed. `tried`: every size asked, in order."""

    largest_bytes: int
    tried: tuple[tuple[int, bool], ...]


def checksum(data: bytes) -> int:
    """Return the Internet checksum (RFC 1071)."""
    total = sum(int.from_bytes(data[i : i + 2].ljust(2, b"\0"), "big") for i in range(0, len(data), 2))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def build_echo(ident: int, seq: int, packet_bytes: int) -> bytes:
    """Return the ICMP message of an echo whose IPv4 packet is `packet_bytes` long."""
    if not LEAST_BYTES <= packet_bytes <= LARGEST_BYTES:
        raise ValueError(f"packet size: expected {LEAST_BYTES} to {LARGEST_BYTES}, saw {packet_bytes}")
    rest = ident.to_bytes(2, "big") + seq.to_bytes(2, "big") + bytes(packet_bytes - LEAST_BYTES)
    return bytes([_ECHO, 0]) + checksum(bytes([_ECHO, 0, 0, 0]) + rest).to_bytes(2, "big") + rest


def parse_answer(packet: bytes) -> Answer | None:
    """Read an IPv4 packet that carries ICMP: an echo reply, or "too big" about an echo; None for anything else."""
    message = _payload(packet)
    if len(message) < 8:
        return None
    if message[0] == _ECHO_REPLY:
        if checksum(message):  # over a whole message it comes to zero
            return None
        ident, seq = int.from_bytes(message[4:6], "big"), int.from_bytes(message[6:8], "big")
        return Answer("reply", ident, seq, len(packet))
    if (message[0], message[1]) != (_UNREACHABLE, _FRAGMENTATION_NEEDED):
        return None
    quoted = message[8:]
    echo = _payload(quoted)
    if len(echo) < 8 or echo[0] != _ECHO:
        return None
    ident, seq = int.from_bytes(echo[4:6], "big"), int.from_bytes(echo[6:8], "big")
    mtu = int.from_bytes(message[6:8], "big")
    return Answer("too_big", ident, seq, int.from_bytes(quoted[2:4], "big"), mtu)


def _payload(packet: bytes) -> bytes:
    """Return what an IPv4 packet carries; nothing where it is no ICMP or not its first fragment."""
    if len(packet) < IP_HEADER_BYTES or packet[0] >> 4 != 4 or packet[9] != 1:
        return b""
    if int.from_bytes(packet[6:8], "big") & 0x1FFF:
        return b""
    return packet[(packet[0] & 15) * 4 :]


def find_largest(crosses: Callable[[int], bool], low: int, high: int) -> Search:
    """Search the largest size in [low, high] that crosses, by halving; what fails just above it is asked again.

    A size that failed by chance (loss) is found out at the end: then the search goes on above it.
    """
    if not LEAST_BYTES <= low <= high <= LARGEST_BYTES:
        raise ValueError(f"expected {LEAST_BYTES} <= low <= high <= {LARGEST_BYTES}, saw low {low}, high {high}")
    tried: list[tuple[int, bool]] = []

    def ask(size: int) -> bool:
        tried.append((size, crosses(size)))
        return tried[-1][1]

    if not ask(low):
        return Search(0, tuple(tried))
    if low == high or ask(high):
        return Search(high, tuple(tried))
    passed, top = low, high
    while passed < high:
        failed = top
        while failed - passed > 1:
            middle = (passed + failed) // 2
            passed, failed = (middle, failed) if ask(middle) else (passed, middle)
        if not ask(failed):
            break
        passed = failed  # it failed before by chance: look on above it
    return Search(passed, tuple(tried))
