"""The player: order, pace, pause, speed, and how far a live picture is behind."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.show.player import FASTEST, LONGEST_GAP_NS, MESSAGE_GAP_NS, SLOWEST, Cue, Player

S = 1_000_000_000
START_NS = 5 * S


def make_player(*cues: tuple[float, bool], even: bool = False) -> Player:
    """Return a player of a saved tape. A cue: seconds from the tape's start, and whether it shows a message."""
    player = Player(even=even)
    player.begin(START_NS)
    for at_s, shows in cues:
        player.add(Cue(START_NS + round(at_s * S), shows))
    return player


def play(player: Player, now_s: float, limit: int | None = None) -> list[int]:
    """Let it be a time; return the places of what is shown."""
    player.advance(round(now_s * S))
    shown = []
    while (place := player.take(limit)) is not None:
        shown.append(place)
    return shown


def at_s(player: Player) -> float:
    return (player.at_ns - START_NS) / S


def test_a_saved_tape_is_shown_at_its_own_pace() -> None:
    player = make_player((0.0, True), (1.0, True), (3.0, True))
    assert play(player, 0.0) == [0]
    assert play(player, 0.9) == []
    assert at_s(player) == pytest.approx(0.9)
    assert play(player, 1.5) == [1]
    assert player.rate == pytest.approx(1.0)
    assert play(player, 9.0) == [2]
    assert (at_s(player), player.is_at_end, player.rate) == (3.0, True, 0.0)


def test_speed_multiplies_and_a_pause_holds() -> None:
    player = make_player((0.0, True), (4.0, True), (8.0, True))
    play(player, 0.0)
    player.set_speed(2.0)
    assert play(player, 2.0) == [1]
    player.pause()
    assert play(player, 60.0) == []
    assert (at_s(player), player.rate) == (4.0, 0.0)
    player.go_on()
    assert play(player, 61.9) == []
    assert play(player, 62.0) == [2]


@pytest.mark.parametrize("speed", [0.0, SLOWEST / 2, FASTEST * 2, -1.0, float("nan"), float("inf")])
def test_a_speed_out_of_range_is_refused(speed: float) -> None:
    player = make_player((0.0, True))
    with pytest.raises(ValueError, match="expected a speed"):
        player.set_speed(speed)
    assert player.speed == 1.0


def test_the_even_pace_shortens_gaps_and_spreads_bursts() -> None:
    burst = [(0.001 * i, True) for i in range(20)]
    player = make_player(*burst, (60.0, True), even=True)
    times = {}
    for step in range(1000):
        for place in play(player, step / 100):
            times[place] = step / 100
    assert sorted(times) == list(range(21))
    within = [sum(t <= u < t + 1 for u in times.values()) for t in times.values()]
    assert max(within) <= 1e9 / MESSAGE_GAP_NS + 1
    assert times[20] - times[19] == pytest.approx(LONGEST_GAP_NS / S, abs=0.02)
    assert at_s(player) == 60.0, "the instant shown is the tape's own, whatever the pace"


def test_what_shows_nothing_is_not_spread() -> None:
    player = make_player(*((0.001 * i, False) for i in range(50)), even=True)
    play(player, 0.0)
    assert len(play(player, 0.06)) >= 48


def test_the_edge_of_a_live_tape_is_followed_and_never_passed() -> None:
    player = make_player((0.0, True))
    play(player, 0.0)
    player.move_edge(START_NS + S)
    play(player, 5.0)
    assert at_s(player) == 1.0
    player.move_edge(START_NS + 6 * S)
    play(player, 5.0)
    assert player.rate == 1.0
    play(player, 7.0)
    assert at_s(player) == pytest.approx(3.0)


def test_at_the_edge_a_fast_picture_moves_as_the_bench_does() -> None:
    player = make_player((0.0, True))
    player.set_speed(8.0)
    for step in range(20):
        player.move_edge(START_NS + round(0.1 * step * S))
        play(player, 0.1 * step)
    assert player.rate == 1.0


def test_a_late_entry_is_shown_at_once_and_time_does_not_go_back() -> None:
    player = make_player((0.0, True))
    for step in range(101):
        player.move_edge(START_NS + round(step * S / 10))
        play(player, step / 10)
    player.add(Cue(START_NS + 9 * S, True))
    assert play(player, 10.0) == [1]
    assert at_s(player) == pytest.approx(10.0)
    assert player.at_ns <= player.edge_ns


def test_entries_whose_instants_are_out_of_order_keep_the_tapes_order() -> None:
    player = make_player((2.0, True), (1.0, True), (3.0, True))
    assert play(player, 0.0) + play(player, 1.9) == []
    assert play(player, 2.0) == [0, 1]
    assert play(player, 5.0) == [2]


def test_the_picture_waits_for_its_judge() -> None:
    player = make_player((0.0, True), (1.0, True), (2.0, True))
    play(player, 0.0)
    assert play(player, 9.0, limit=1) == []
    assert at_s(player) < 2.0
    assert play(player, 9.0, limit=3) == []
    assert play(player, 10.0, limit=3) == [1]


def test_an_instant_is_chased_at_once_or_as_it_arrives() -> None:
    player = make_player((0.0, True), (1.0, True), (5.0, True))
    player.pause()
    play(player, 0.0)
    player.chase(START_NS + 3 * S)
    assert play(player, 0.0) == [0, 1]
    assert (at_s(player), player.paused) == (3.0, True)
    player.chase(START_NS + 8 * S)
    assert play(player, 0.0) == [2]
    player.move_edge(START_NS + 20 * S)
    player.add(Cue(START_NS + 7 * S, True))
    assert play(player, 0.1) == [3]
    assert at_s(player) == 8.0


def test_an_entry_is_chased() -> None:
    player = make_player((0.0, True), (10.0, True), (20.0, True))
    play(player, 0.0)
    player.chase_entry(2)
    assert play(player, 0.0) == [1]
    assert at_s(player) == 10.0
    assert play(player, 5.0) == []


def test_from_the_beginning_again() -> None:
    player = make_player((0.0, True), (1.0, True))
    play(player, 0.0)
    assert play(player, 5.0) == [1]
    player.rewind()
    assert at_s(player) == 0.0
    assert play(player, 5.0) == [0]
    assert play(player, 6.0) == [1]


ACTS = st.sampled_from(["pause", "go_on", "even", "uneven", "slow", "fast", "plain"])


def do(player: Player, act: str) -> None:
    match act:
        case "pause":
            player.pause()
        case "go_on":
            player.go_on()
        case "even" | "uneven":
            player.even = act == "even"
        case "slow" | "fast" | "plain":
            player.set_speed({"slow": SLOWEST, "fast": FASTEST, "plain": 1.0}[act])


@settings(max_examples=150, deadline=None)
@given(
    gaps=st.lists(st.floats(-0.5, 4.0), min_size=1, max_size=30),
    shows=st.lists(st.booleans(), min_size=30, max_size=30),
    steps=st.lists(st.tuples(st.floats(0.0, 2.0), ACTS), max_size=30),
)
def test_order_is_kept_and_all_is_shown_whatever_one_does(
    gaps: list[float], shows: list[bool], steps: list[tuple[float, str]]
) -> None:
    cues, total = [], 0.0
    for gap, show in zip(gaps, shows, strict=False):
        total += gap
        cues.append((max(0.0, total), show))
    player = make_player(*cues)
    shown, now, before = [], 0.0, 0
    for step_s, act in steps:
        now += step_s
        shown += play(player, now)
        assert before <= player.at_ns <= player.edge_ns
        before = player.at_ns
        do(player, act)
    player.set_speed(1.0)
    player.go_on()
    for _ in range(3):
        now += 400.0
        shown += play(player, now)
    assert shown == list(range(len(cues)))
    assert player.is_at_end
    assert player.at_ns == START_NS + max(round(at * S) for at, _ in cues)


@settings(max_examples=150, deadline=None)
@given(gaps=st.lists(st.floats(0.0, 1.5), min_size=1, max_size=20), step_s=st.floats(0.005, 0.1))
def test_nothing_is_shown_before_its_time(gaps: list[float], step_s: float) -> None:
    times = [sum(gaps[: i + 1]) for i in range(len(gaps))]
    player = make_player(*((t, True) for t in times))
    now = 0.0
    while not player.is_at_end:
        for place in play(player, now):
            assert times[place] - 1e-6 <= now <= times[place] + step_s + 1e-6
        now += step_s


@settings(max_examples=150, deadline=None)
@given(
    entries=st.lists(st.tuples(st.floats(0.0, 0.5), st.floats(0.0, 0.3)), min_size=1, max_size=30),
    step_s=st.floats(0.01, 0.1),
)
def test_a_live_picture_at_speed_one_is_behind_by_the_delivery_only(
    entries: list[tuple[float, float]], step_s: float
) -> None:
    """An entry is shown in the very step in which it arrives, and the clock of the picture is the bench's."""
    player = Player(even=False)
    player.begin(START_NS)
    fed_s, waiting = 0.0, []
    for gap_s, transit_s in entries:
        fed_s += gap_s
        waiting.append((max(fed_s + transit_s, waiting[-1][0] if waiting else 0.0), fed_s))
    now, count = 0.0, 0
    while count < len(entries):
        arrived = [w for w in waiting if w[0] <= now][count:]
        for _, at in arrived:
            player.add(Cue(START_NS + round(at * S), True))
        player.move_edge(START_NS + round(now * S))
        assert play(player, now) == list(range(count, count + len(arrived)))
        assert player.at_ns == pytest.approx(START_NS + now * S, abs=2)
        count += len(arrived)
        now += step_s
