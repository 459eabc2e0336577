"""Stage time: windows, the settle time, and the numbers drawn from round trips. Layer: core, pure.

Laws: every instant is nanoseconds of the harness's monotonic clock (`at_ns` of observations is in that domain already);
`now_ns` is always an argument. A window says what counts (what happened inside it) apart from how long to listen
(until it closed and what happened inside had time to arrive).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

NS_PER_S = 1_000_000_000

SETTLE_S = 0.5
"""How late an observation may be delivered and still count. Set by: container stdout through the engine's socket takes
milliseconds; half a second leaves room for a loaded machine (lags are in every tape: `received_ns` less `at_ns`)."""

SETTLE_NS = int(SETTLE_S * NS_PER_S)


def to_ns(seconds: float) -> int:
    """Return seconds as nanoseconds."""
    return round(seconds * NS_PER_S)


def to_s(nanoseconds: int) -> float:
    """Return nanoseconds as seconds."""
    return nanoseconds / NS_PER_S


@dataclass(frozen=True, slots=True)
class Window:
    """The time that something has: from `opens_ns`, `budget_ns` long."""

    opens_ns: int
    budget_ns: int

    @property
    def closes_ns(self) -> int:
        """The last instant at which something may happen and still count."""
        return self.opens_ns + self.budget_ns

    @property
    def heard_ns(self) -> int:
        """When all that happened in time has arrived: the instant at which a miss is certain."""
        return self.closes_ns + SETTLE_NS

    def accepts(self, at_ns: int) -> bool:
        """Say whether something at that instant was in time. What came before the window opened is in time too."""
        return at_ns <= self.closes_ns

    def is_over(self, now_ns: int) -> bool:
        """Say whether waiting longer can change nothing."""
        return now_ns >= self.heard_ns


def find_median(values: Sequence[float]) -> float | None:
    """Return the median (mean of the middle two for an even count), or None for no values."""
    if not values:
        return None
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def find_percentile(values: Sequence[float], percent: float) -> float | None:
    """Return the nearest-rank percentile (the smallest value with at least `percent` of all at or below), or None."""
    if not values:
        return None
    ordered = sorted(values)
    return ordered[max(1, math.ceil(percent / 100 * len(ordered))) - 1]
