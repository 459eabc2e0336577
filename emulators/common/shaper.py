"""What a radio link does to packets in one direction: rate, delay, jitter, loss. Layer: shared, pure.

Time is an argument (seconds, any one clock); chance is an argument too. A packet is either lost, dropped for a full
queue, or gets a due time; due times never run backwards, so order is kept (a radio bearer delivers in sequence: TS
36.322 clause 5.1.3). Where jitter is larger than the gap between packets, keeping order moves the mean delay up.

The rate limiter is a virtual clock: the link is busy until `busy_until_s`; a packet that would wait longer than
QUEUE_S is dropped (tail drop).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

QUEUE_S = 0.1  # common practice, no source: about one bandwidth-delay product of a cellular link
QUEUE_FLOOR_BYTES = 16 * 1500  # so that a slow link still holds a burst; common practice, no source


@dataclass(frozen=True, slots=True)
class Shape:
    """`rate_bps` counts the bearer's packets (IP octets), None for no limit; `jitter_s` is +/- around `delay_s`."""

    rate_bps: int | None = None
    delay_s: float = 0.0
    jitter_s: float = 0.0
    loss_ratio: float = 0.0

    @property
    def is_clear(self) -> bool:
        """Whether packets may pass without being looked at."""
        return self.rate_bps is None and self.delay_s == 0 and self.jitter_s == 0 and self.loss_ratio == 0


def build_shape(rate_bps: int | None, delay_ms: float, jitter_ms: float, loss_pct: float) -> Shape:
    """Return the shape for figures as profiles and seeds give them. A rate of 0 or None is no limit."""
    return Shape(rate_bps or None, delay_ms / 1000, jitter_ms / 1000, loss_pct / 100)


class Shaper:
    """Applies a shape to one direction. `uniform` returns numbers in [0, 1)."""

    __slots__ = ("_busy_until_s", "_last_due_s", "_uniform", "dropped", "lost", "shape")

    def __init__(self, shape: Shape, uniform: Callable[[], float]) -> None:
        self.shape, self._uniform = shape, uniform
        self._busy_until_s = self._last_due_s = float("-inf")
        self.lost = self.dropped = 0

    def admit(self, now_s: float, size_bytes: int) -> float | None:
        """Return when a packet is to leave; None when it is lost or dropped."""
        shape = self.shape
        sent_s = now_s
        if shape.rate_bps is not None:
            start_s = max(now_s, self._busy_until_s)
            sent_s = start_s + size_bytes * 8 / shape.rate_bps
            if start_s - now_s > max(QUEUE_S, QUEUE_FLOOR_BYTES * 8 / shape.rate_bps):
                self.dropped += 1
                return None
            self._busy_until_s = sent_s
        if shape.loss_ratio and self._uniform() < shape.loss_ratio:  # lost on the air: it took its time there
            self.lost += 1
            return None
        jitter_s = shape.jitter_s * (2 * self._uniform() - 1) if shape.jitter_s else 0.0
        due_s = max(sent_s + max(0.0, shape.delay_s + jitter_s), self._last_due_s)
        self._last_due_s = due_s
        return due_s
