"""How the device finds out what a path carries: RFC 4821, sizes by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.router.runtime.path_mtu import GRAIN_BYTES, LEAST_BYTES, drive


def carry(most: int) -> tuple[list[int], int | None]:
    tried: list[int] = []

    def is_carried(size: int) -> bool:
        tried.append(size)
        return size <= most

    return tried, drive(1428, is_carried)


def test_a_path_that_carries_all_costs_one_probe() -> None:
    tried, found = carry(1428)
    assert (tried, found) == ([1428], 1428)


@given(st.integers(LEAST_BYTES, 1427))
def test_a_narrow_path_is_found_to_the_grain_and_never_above(most: int) -> None:
    _, found = carry(most)
    assert found is not None
    assert most - GRAIN_BYTES < found <= most


def test_the_usual_figure_is_found_at_once() -> None:
    # GTP in IPsec leaves 1358 (TS 23.060 clause 9.3): 1428 no, 576 yes, 1400 no, 1358 yes, 1366 no, and 1428 again.
    tried, found = carry(1358)
    assert (tried, found) == ([1428, 576, 1400, 1358, 1366, 1428], 1358)


def test_silence_says_nothing() -> None:
    assert drive(1428, lambda size: False) is None


@pytest.mark.parametrize("lost", [{0}, {0, 2}, {0, 2, 3}])
def test_probes_that_were_lost_narrow_nothing(lost: set[int]) -> None:
    asked = iter(range(1000))
    assert drive(1428, lambda size: next(asked) not in lost) == 1428
