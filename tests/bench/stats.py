"""The bench's arithmetic: nearest-rank percentiles, medians, Wilson intervals. Pure.

Not here: what is measured (lab_up.py, nominal.py, ...), what is shown (table.py).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

Z_95 = 1.959963984540054
"""The standard normal distribution's 97.5 % quantile (any table of it)."""


@dataclass(frozen=True, slots=True)
class Interval:
    low: float
    high: float

    def holds(self, value: float) -> bool:
        """Say whether a value lies inside, ends included."""
        return self.low <= value <= self.high


def find_percentile(values: Sequence[float], percent: float) -> float:
    """Return the nearest-rank percentile: the ceil(P/100 n)-th smallest value; the smallest for P = 0.

    Raises: ValueError for no values, or a percentage outside 0..100.
    """
    if not values or not 0 <= percent <= 100:
        raise ValueError(f"expected values and a percentage in 0..100, saw {len(values)} values and {percent}")
    rank = max(1, math.ceil(len(values) * percent / 100))
    return sorted(values)[rank - 1]


def find_median(values: Sequence[float]) -> float:
    """Return the median: of an even number of values the mean of the two in the middle. Raises: ValueError for none."""
    if not values:
        raise ValueError("expected values, saw none")
    return statistics.median(values)


def find_ratio(above: Sequence[float], below: Sequence[float]) -> float:
    """Return the ratio of two sides' medians. Raises: ValueError for no values, or a median of 0 below."""
    divisor = find_median(below)
    if divisor == 0:
        raise ValueError("expected a median other than 0 below the line")
    return find_median(above) / divisor


def find_wilson(hits: int, tries: int, z: float = Z_95) -> Interval:
    """Return the Wilson score interval of a proportion (E. B. Wilson, 1927, JASA 22, 209-212). Raises: ValueError."""
    if tries <= 0 or not 0 <= hits <= tries:
        raise ValueError(f"expected 0 <= hits <= tries and tries > 0, saw {hits} of {tries}")
    share, spread = hits / tries, z * z / tries
    centre = (share + spread / 2) / (1 + spread)
    half = z * math.sqrt(share * (1 - share) / tries + spread / (4 * tries)) / (1 + spread)
    low = 0.0 if hits == 0 else centre - half  # exactly so; rounding may leave a little more
    return Interval(low, 1.0 if hits == tries else centre + half)
