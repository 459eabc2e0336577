"""What a radio link does to packets in one direction: rate, delay, jitter, loss. Layer: shared, pure.

Time is an argument (seconds, any one clock); chance is an argument too. A packet is either lost, dropped for a full
queue, or gets a due time; due times never run backwards, so order is kept (a radio bearer delivers in sequence: TS
36.322 clause 5.1.3). Where jitter is larger than the gap between packets, keeping order moves the mean delay up.

The rate limiter is a virtual clock: the link is busy until `busy_until_s`; a packet that would wait longer than
QUEUE_S is dropped (tail drop).

Losses come one by one, or in bursts: then by Gilbert's model (E. N. Gilbert, "Capacity of a Burst-Noise Channel", Bell
System Technical Journal 39, 1960; cited from memory) in its simplest form, where the bad state loses every packet. A
burst is `burst_packets` long on average, and the share lost in the long run is `loss_ratio`.
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
    burst_packets: float = 1.0
    """Mean length of a run of losses; 1: each packet is lost, or not, by itself."""

    @property
    def is_clear(self) -> bool:
        """Whether packets may pass without being looked at."""
        return self.rate_bps is None and self.delay_s == 0 and self.jitter_s == 0 and self.loss_ratio == 0


def build_shape(
    rate_bps: int | None, delay_ms: float, jitter_ms: float, loss_pct: float, burst_packets: float = 1.0
) -> Shape:
    """Return the shape for figures as profiles and seeds give them. A rate of 0 or None is no limit."""
    return Shape(rate_bps or None, delay_ms / 1000, jitter_ms / 1000, loss_pct / 100, burst_packets)


def find_loss_chance(shape: Shape, *, is_bad: bool) -> float:
    """Return the chance that the next packet is lost, given whether the one before was.

    With a burst's mean length B, the bad state is left with 1/B; that it holds the share L of all packets asks for
    entering it with L / (1 - L) / B. Losses that come one by one know no state.
    """
    if shape.burst_packets <= 1:
        return shape.loss_ratio
    if is_bad:
        return 1 - 1 / shape.burst_packets
    return min(1.0, shape.loss_ratio / (1 - shape.loss_ratio) / shape.burst_packets) if shape.loss_ratio < 1 else 1.0


class Shaper:
    """Applies a shape to one direction. `uniform` returns numbers in [0, 1)."""

    __slots__ = ("_busy_until_s", "_is_bad", "_last_due_s", "_uniform", "dropped", "lost", "shape")

    def __init__(self, shape: Shape, uniform: Callable[[], float]) -> None:
        self.shape, self._uniform = shape, uniform
        self._busy_until_s = self._last_due_s = float("-inf")
        self._is_bad = False
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
        if shape.loss_ratio:
            self._is_bad = self._uniform() < find_loss_chance(shape, is_bad=self._is_bad)
            if self._is_bad:  # lost on the air: it took its time there
                self.lost += 1
                return None
        jitter_s = shape.jitter_s * (2 * self._uniform() - 1) if shape.jitter_s else 0.0
        due_s = max(sent_s + max(0.0, shape.delay_s + jitter_s), self._last_due_s)
        self._last_due_s = due_s
        return due_s
