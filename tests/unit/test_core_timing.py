"""Windows and the numbers drawn from round trips."""

from __future__ import annotations

from harness.core.timing import SETTLE_NS, Window, find_median, find_percentile, to_ns, to_s


def test_window() -> None:
    window = Window(to_ns(5), to_ns(10))
    assert window.accepts(to_ns(15)) and not window.accepts(to_ns(15) + 1) and window.accepts(0)
    assert not window.is_over(to_ns(15) + SETTLE_NS - 1) and window.is_over(to_ns(15) + SETTLE_NS)
    assert to_s(to_ns(1.25)) == 1.25


def test_median_and_percentile() -> None:
    """Against the standard library's median; nearest rank by hand: of 20 values the 95 % one is the 19th."""
    import statistics

    for values in ([3.0], [4.0, 1.0], [5.0, 1.0, 9.0], [2.0, 8.0, 4.0, 6.0]):
        assert find_median(values) == statistics.median(values)
    assert find_median([]) is None and find_percentile([], 95) is None
    assert find_percentile([float(n) for n in range(1, 21)], 95) == 19.0
    assert find_percentile([1.0, 2.0], 100) == 2.0 and find_percentile([1.0, 2.0], 0) == 1.0
