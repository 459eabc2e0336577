"""The bench's arithmetic, against published examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.bench.stats import find_median, find_percentile, find_ratio, find_wilson

# Worked examples of the nearest-rank method as commonly published (encyclopaedias' "Percentile"); the definition is
# R-1 in Hyndman and Fan, "Sample Quantiles in Statistical Packages", The American Statistician 50 (1996), 361-365.
FIVE = (15, 20, 35, 40, 50)
TEN = (3, 6, 7, 8, 8, 10, 13, 15, 16, 20)


@pytest.mark.parametrize(
    ("values", "percent", "expected"),
    [
        *((FIVE, p, v) for p, v in ((5, 15), (30, 20), (40, 20), (50, 35), (95, 50), (100, 50))),
        *((TEN, p, v) for p, v in ((0, 3), (25, 7), (50, 8), (75, 15), (95, 20), (100, 20))),
    ],
)
def test_nearest_rank(values, percent, expected):
    assert find_percentile(values[::-1], percent) == expected


@given(st.lists(st.integers(-1000, 1000), min_size=1), st.integers(1, 100))
def test_a_percentile_is_the_least_value_that_so_many_do_not_exceed(values, percent):
    found = find_percentile(values, percent)
    assert found in values
    assert sum(v <= found for v in values) * 100 >= percent * len(values)
    assert sum(v < found for v in values) * 100 < percent * len(values)


@pytest.mark.parametrize(("values", "percent"), [((), 50), ((1,), -1), ((1,), 101)])
def test_no_percentile_of_nothing_or_beyond_the_ends(values, percent):
    with pytest.raises(ValueError, match="expected values"):
        find_percentile(values, percent)


# Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22 (1927), 209-212; the numbers
# agree with statsmodels' proportion_confint(method="wilson").
@pytest.mark.parametrize(
    ("hits", "tries", "low", "high"),
    [
        (18, 20, 0.6990, 0.9721),
        (20, 20, 0.8389, 1.0),
        (0, 20, 0.0, 0.1611),
        (95, 100, 0.8882, 0.9785),
        (29, 30, 0.8333, 0.9941),
    ],
)
def test_wilson(hits, tries, low, high):
    found = find_wilson(hits, tries)
    assert found.low == pytest.approx(low, abs=5e-5)
    assert found.high == pytest.approx(high, abs=5e-5)


@given(st.integers(1, 10_000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_a_wilson_interval_holds_the_share_it_is_of(drawn):
    hits, tries = drawn
    assert find_wilson(hits, tries).holds(hits / tries)


@pytest.mark.parametrize(("hits", "tries"), [(0, 0), (-1, 5), (6, 5)])
def test_no_interval_of_an_impossible_share(hits, tries):
    with pytest.raises(ValueError, match="expected 0 <= hits"):
        find_wilson(hits, tries)


def test_a_ratio_is_of_medians():
    assert find_ratio((1, 2, 300), (4, 4, 0)) == 0.5
    with pytest.raises(ValueError, match="other than 0"):
        find_ratio((1,), (0,))
    with pytest.raises(ValueError, match="saw none"):
        find_median(())
