"""A capture's packets as they lie in its file. Layer: timeline, pure. Source: pcap-savefile(5).

Numbers count from 1, as packet viewers do. A capture of a run that was killed may end within a packet: what is whole is
read. Not here: what a packet is (packets.py).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

MOST_CAPTURED = 262_144
"""Octets of a packet: what libpcap takes at most (MAXIMUM_SNAPLEN). More is a broken head, and readers refuse it."""
_MAGICS = {0xA1B2C3D4: ("<", 6), 0xA1B23C4D: ("<", 9), 0xD4C3B2A1: (">", 6), 0x4D3CB2A1: (">", 9)}
"""As read little endian: byte order, and decimal digits of a second's fraction."""
_HEAD_BYTES = 24


class PcapError(ValueError):
    """The bytes are no capture."""


@dataclass(frozen=True, slots=True)
class Record:
    """A packet. `stamp`: since 1970, in the capture's own units; `length`: octets that it had before it was cut to the
    capture length."""

    number: int
    stamp: int
    length: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Capture:
    """`digits`: of a second's fraction, in stamps. `is_cut`: something follows that is no whole packet."""

    digits: int
    link_type: int
    snap_length: int
    records: tuple[Record, ...]
    is_cut: bool

    def find_ns(self, record: Record) -> int:
        """Return a packet's stamp in nanoseconds since 1970."""
        return record.stamp * int(10 ** (9 - self.digits))


def read_capture(content: bytes) -> Capture:
    """Read a capture. Raises: PcapError."""
    magic = struct.unpack_from("<I", content)[0] if len(content) >= _HEAD_BYTES else 0
    if magic not in _MAGICS:
        raise PcapError(f"expected a pcap file, saw {len(content)} bytes that begin {content[:4].hex()!r}")
    order, digits = _MAGICS[magic]
    snap_length, link = struct.unpack_from(order + "II", content, 16)
    records = tuple(_read_records(content, struct.Struct(order + "IIII"), digits))
    whole = _HEAD_BYTES + sum(16 + len(r.data) for r in records)
    return Capture(digits, link & 0xFFFF, snap_length, records, whole != len(content))


def _read_records(content: bytes, head: struct.Struct, digits: int) -> Iterator[Record]:
    offset, number = _HEAD_BYTES, 0
    while offset + head.size <= len(content):
        seconds, fraction, captured, length = head.unpack_from(content, offset)
        offset += head.size + captured
        if offset > len(content) or captured > MOST_CAPTURED:
            return
        number += 1
        yield Record(number, seconds * 10**digits + fraction, length, content[offset - captured : offset])
