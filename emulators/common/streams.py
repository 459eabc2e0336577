"""Numbered and stamped UDP streams: what a packet says, when it is due, what came of it. Layer: stand-in, pure.

A packet carries its stream's number, its own, and CLOCK_MONOTONIC as it was sent, which all stand-ins of one kernel
share: so a one-way delay can be taken (RFC 7679 asks that the clocks' error be known: here they are one clock). Sizes
are whole IPv4 packets in bytes, rates are bits a second of such packets.

Percentiles are by nearest rank: the least value that at least p % of all do not exceed. A packet is out of order when a
later one came before it (RFC 4737 section 3.3). Not here: sockets (probes_streams.py).
"""

from __future__ import annotations

import math
import struct
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

HEAD = struct.Struct("!4sIIQ")
"""Magic, stream, number from 0, nanoseconds of CLOCK_MONOTONIC."""
MAGIC = b"bpst"
IP_UDP_BYTES = 28  # RFC 791 section 3.1 without options, RFC 768
LEAST_BYTES = IP_UDP_BYTES + HEAD.size
MOST_BYTES = 1500  # RFC 894
MOST_BPS = 20_000_000
"""Of all streams of one call together: what the bench's own processes carry with ease, and no load for a machine."""
MOST_SECONDS = 30.0
BIN_NS = 100_000_000
LATE_NS = 50_000_000
"""A sender that was held up longer does not catch up: a burst is not what was asked for."""


@dataclass(frozen=True, slots=True)
class Stream:
    """What to send: from `start_s` after the call, for `seconds`. `jitter` 0: evenly; up to 1: gaps of the same mean,
    each by chance that much shorter or longer at most."""

    flow: int
    target: str
    port: int
    dscp: int
    bps: float
    bytes: int
    seconds: float
    start_s: float = 0.0
    jitter: float = 0.0

    @property
    def gap_ns(self) -> int:
        """Nanoseconds from one packet to the next."""
        return max(1, round(self.bytes * 8 * 1e9 / self.bps))


def check_streams(streams: Sequence[Stream]) -> None:
    """Raise ValueError for what is not to be sent."""
    if not streams:
        raise ValueError("streams: expected at least one, saw none")
    for one in streams:
        if not LEAST_BYTES <= one.bytes <= MOST_BYTES:
            raise ValueError(f"bytes: expected {LEAST_BYTES} to {MOST_BYTES}, saw {one.bytes}")
        if not 0 <= one.dscp <= 63:  # RFC 2474 section 3: six bits
            raise ValueError(f"dscp: expected 0 to 63, saw {one.dscp}")
        if not 0 <= one.jitter <= 1:
            raise ValueError(f"jitter: expected 0 to 1, saw {one.jitter}")
        if one.bps <= 0 or one.seconds <= 0 or one.start_s < 0 or one.start_s + one.seconds > MOST_SECONDS:
            raise ValueError(f"expected a rate above 0 within {MOST_SECONDS:g} s, saw {one}")
    edges = sorted({one.start_s for one in streams})
    most = max(sum(o.bps for o in streams if o.start_s <= at < o.start_s + o.seconds) for at in edges)
    if most > MOST_BPS:
        raise ValueError(f"bps: expected at most {MOST_BPS} at a time, saw {most:g}")


class Schedule:
    """Says which stream's packet is due next. Times are nanoseconds of any one clock; `uniform` returns numbers in
    [0, 1)."""

    def __init__(self, streams: Sequence[Stream], began_ns: int, uniform: Callable[[], float]) -> None:
        self._uniform = uniform
        self._jitter = {s.flow: s.jitter for s in streams}
        self._ends = {s.flow: began_ns + round((s.start_s + s.seconds) * 1e9) for s in streams}
        self._due = {s.flow: began_ns + round(s.start_s * 1e9) for s in streams}
        self._gaps = {s.flow: s.gap_ns for s in streams}
        self.late = 0

    def find_next(self) -> tuple[int, int] | None:
        """Return (due, flow) of the next packet; None when all is sent."""
        waiting = [(due, flow) for flow, due in self._due.items() if due < self._ends[flow]]
        return min(waiting, default=None)

    def note_sent(self, flow: int, now_ns: int) -> None:
        """Put the stream's next packet in its place."""
        due_ns = self._due[flow]
        if now_ns - due_ns > LATE_NS:
            self.late += 1
            due_ns = now_ns
        spread = self._jitter[flow] * (2 * self._uniform() - 1) if self._jitter[flow] else 0.0
        self._due[flow] = due_ns + round(self._gaps[flow] * (1 + spread))


def encode(flow: int, number: int, now_ns: int, packet_bytes: int) -> bytes:
    """Return the UDP payload of a packet whose IPv4 size is `packet_bytes`."""
    return HEAD.pack(MAGIC, flow, number, now_ns).ljust(packet_bytes - IP_UDP_BYTES, b"\0")


def decode(payload: bytes) -> tuple[int, int, int] | None:
    """Return (flow, number, sent), or None for what is no packet of a stream."""
    if len(payload) < HEAD.size or payload[:4] != MAGIC:
        return None
    _, flow, number, sent_ns = HEAD.unpack_from(payload)
    return flow, number, sent_ns


@dataclass(slots=True)
class Tally:
    """What came of one stream."""

    numbers: set[int] = field(default_factory=set)
    duplicated: int = 0
    reordered: int = 0
    highest: int = -1
    delays_ns: list[int] = field(default_factory=list)
    dscps: Counter[int] = field(default_factory=Counter)
    sizes: Counter[int] = field(default_factory=Counter)
    bins: Counter[int] = field(default_factory=Counter)

    def add(self, number: int, sent_ns: int, now_ns: int, dscp: int, packet_bytes: int) -> None:
        """Take in one packet."""
        if number in self.numbers:
            self.duplicated += 1
            return
        self.numbers.add(number)
        self.reordered += number < self.highest
        self.highest = max(self.highest, number)
        self.delays_ns.append(now_ns - sent_ns)
        self.dscps[dscp] += 1
        self.sizes[packet_bytes] += 1
        self.bins[now_ns // BIN_NS] += 1

    def summarise(self, flow: int) -> dict[str, Any]:
        """Return the figures: counts, delays in milliseconds, packets by code point, by size and by 100 ms of time."""
        ordered = sorted(self.delays_ns)
        ranks = {"least": 0.0, "p50": 50.0, "p95": 95.0, "p99": 99.0, "most": 100.0}
        return {
            "flow": flow,
            "received": len(self.numbers),
            "duplicated": self.duplicated,
            "reordered": self.reordered,
            "delay_ms": {name: round(find_percentile(ordered, p) / 1e6, 3) for name, p in ranks.items()}
            if ordered
            else {},
            "dscp": {str(k): v for k, v in sorted(self.dscps.items())},
            "bytes": {str(k): v for k, v in sorted(self.sizes.items())},
            "bins": [[k, v] for k, v in sorted(self.bins.items())],
        }


def find_percentile(ordered: Sequence[int], percent: float) -> int:
    """Return the value of nearest rank. Raises: ValueError for an empty list."""
    if not ordered:
        raise ValueError("expected at least one value, saw none")
    return ordered[max(1, math.ceil(percent / 100 * len(ordered))) - 1]
