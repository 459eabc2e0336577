"""What holds for every packet train through the shaper: arithmetic written out, no published vectors."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.common.shaper import QUEUE_FLOOR_BYTES, QUEUE_S, Shape, Shaper, build_shape

TRAINS = st.lists(st.tuples(st.floats(0, 0.05), st.integers(40, 1500)), min_size=1, max_size=150)
SHAPES = st.builds(
    Shape,
    rate_bps=st.none() | st.integers(10_000, 10**9),
    delay_s=st.floats(0, 0.5),
    jitter_s=st.floats(0, 0.1),
    loss_ratio=st.floats(0, 0.9),
)


def send(shape: Shape, train: list[tuple[float, int]], seed: int = 1) -> list[tuple[float, int, float | None]]:
    shaper, now_s, sent = Shaper(shape, random.Random(seed).random), 0.0, []
    for gap_s, size in train:
        now_s += gap_s
        sent.append((now_s, size, shaper.admit(now_s, size)))
    return sent


@given(SHAPES, TRAINS)
def test_order_is_kept_and_nothing_leaves_before_it_came(shape: Shape, train: list[tuple[float, int]]) -> None:
    passed = [(at_s, due_s) for at_s, _, due_s in send(shape, train) if due_s is not None]
    assert all(due_s >= at_s for at_s, due_s in passed)
    dues = [due_s for _, due_s in passed]
    assert dues == sorted(dues)


@given(st.integers(10_000, 10**8), TRAINS)
def test_rate_is_never_exceeded(rate_bps: int, train: list[tuple[float, int]]) -> None:
    passed = [(size, due_s) for _, size, due_s in send(Shape(rate_bps), train) if due_s is not None]
    for first in range(len(passed)):
        octets = sum(size for size, _ in passed[first + 1 :])
        span_s = passed[-1][1] - passed[first][1]
        assert octets * 8 <= rate_bps * span_s + 1e-3 * rate_bps * 1e-3 + 1


@given(st.integers(10_000, 10**8), TRAINS)
def test_no_packet_waits_longer_than_the_queue_allows(rate_bps: int, train: list[tuple[float, int]]) -> None:
    most_s = max(QUEUE_S, QUEUE_FLOOR_BYTES * 8 / rate_bps) + 1500 * 8 / rate_bps
    assert all(due_s - at_s <= most_s + 1e-9 for at_s, _, due_s in send(Shape(rate_bps), train) if due_s is not None)


@given(st.floats(0, 1), TRAINS)
def test_a_plain_delay_is_exact(delay_s: float, train: list[tuple[float, int]]) -> None:
    assert all(
        due_s == pytest.approx(at_s + delay_s, abs=1e-9) for at_s, _, due_s in send(Shape(delay_s=delay_s), train)
    )


def test_loss_is_as_set() -> None:
    lost = sum(due_s is None for _, _, due_s in send(Shape(loss_ratio=0.05), [(0.001, 100)] * 20_000))
    assert 850 < lost < 1150  # binomial, n 20000, p 0.05: mean 1000, sd 31; the bounds are nearly five sd away


def test_a_full_second_at_a_rate_carries_that_rate() -> None:
    # 10 Mbit/s offered 20 Mbit/s of 1250-octet packets for 2 s: 2 s x 10 Mbit/s = 2000 packets, and the queue's 0.1 s.
    sent = send(Shape(10_000_000), [(0.0005, 1250)] * 4000)
    passed = sum(due_s is not None for _, _, due_s in sent)
    assert 2000 <= passed <= 2000 + 0.1 * 10_000_000 / 10_000 + 2


def test_jitter_stays_within_its_bounds() -> None:
    sent = send(build_shape(None, 60, 10, 0), [(0.1, 100)] * 500)
    delays_ms = [(due_s - at_s) * 1000 for at_s, _, due_s in sent if due_s is not None]
    assert 50 <= min(delays_ms) < 52
    assert 68 < max(delays_ms) <= 70


def test_figures_of_seeds() -> None:
    assert build_shape(0, 0, 0, 0).is_clear
    assert build_shape(5_000_000, 30, 5, 1) == Shape(5_000_000, 0.03, 0.005, 0.01)
