"""How far a node's monotonic clock is from the harness's. Layer: lab, pure.

A node was asked at `sent_ns` and answered by `received_ns` (the harness's clock); in between it read `node_ns` (its
own). So offset = node clock less harness clock lies in [node_ns - received_ns, node_ns - sent_ns]. All nodes share
one kernel, hence one offset: the intervals of all samples must have a common part, and the tighter it is the better.
The same reasoning as RFC 5905 section 8 (offset and delay of one exchange), with bounds instead of an estimate.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sample:
    node: str
    sent_ns: int
    node_ns: int
    received_ns: int

    @property
    def low_ns(self) -> int:
        return self.node_ns - self.received_ns

    @property
    def high_ns(self) -> int:
        return self.node_ns - self.sent_ns


@dataclass(frozen=True, slots=True)
class Offset:
    """Node clock less harness clock, and how far that may be off."""

    offset_ns: int
    bound_ns: int
    samples: int

    def to_harness(self, node_ns: int) -> int:
        """Bring a node's instant into the harness's domain."""
        return node_ns - self.offset_ns


def combine_samples(samples: Iterable[Sample]) -> Offset:
    """Return the offset that all samples allow.

    Where 0 is allowed it is taken: harness and nodes then share the kernel (two kernels' clocks, counted from two
    boots, do not come this close by chance). Raises: ValueError when no offset fits all samples.
    """
    taken = tuple(samples)
    if not taken:
        raise ValueError("expected a sample of the clock, saw none")
    lowest, highest = max(taken, key=lambda s: s.low_ns), min(taken, key=lambda s: s.high_ns)
    low, high = lowest.low_ns, highest.high_ns
    if low > high:
        apart_ms = (low - high) / 1e6
        raise ValueError(f"the clocks of {lowest.node} and {highest.node} are at least {apart_ms:.3f} ms apart")
    offset = 0 if low <= 0 <= high else (low + high) // 2
    return Offset(offset, max(high - offset, offset - low), len(taken))
