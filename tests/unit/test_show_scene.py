"""The picture and the scene: what is shown of recorded runs, at any speed, and of hostile words."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulators.common.record import to_json
from harness.core.model import Observation, TapeEntry
from harness.core.sample import build_plan, saw
from harness.show.messages import find_message
from harness.show.picture import MOST_MESSAGES, Picture, build_signal
from harness.show.player import FASTEST, SLOWEST
from harness.show.reel import BlankTape, Reel
from harness.show.scene import Lights, Scene
from harness.show.staging import Frame, build_scene, find_phase, tell_hint
from tests.unit.show_tapes import BROUGHT_UP, POWER_CUT, WRONG_PSK, MemoryTape, judge_tape, load_tape

PLAN = build_plan()
LABEL = "bench.on.hand1.cut_power.0"


def make_reel(tape: MemoryTape, speed: float = 1.0, even: bool = False) -> Reel:
    return Reel(tape, speed=speed, even=even, find_edge_ns=None)


def show(reel: Reel) -> Scene:
    phase = find_phase(reel)
    frame = Frame("replay", "a-run", reel.tape.plan, phase, tell_hint(reel, "replay"))
    return build_scene(frame, reel, speed=1.0, even=False, pause_at_stages=False)


def play_to_end(reel: Reel) -> Scene:
    now_ns = 0
    while not reel.is_over:
        reel.tick(now_ns)
        reel.player.go_on()
        now_ns += 500_000_000
    return show(reel)


def feed(picture: Picture, *seen: Observation) -> None:
    for number, observation in enumerate(seen):
        picture.feed(number, observation)


def list_states(scene: Scene) -> dict[str, str]:
    return {link.name: link.state for link in scene.links}


# ---------------------------------------------------------------- recorded runs


def test_a_branch_that_came_up() -> None:
    scene = play_to_end(make_reel(judge_tape(BROUGHT_UP)))
    assert scene.phase == "over"
    assert [s.state for s in scene.stages] == ["reached"] * 8
    assert all(s.started_s is not None and s.started_s >= 0 and s.took_s is not None for s in scene.stages)
    assert set(list_states(scene).values()) == {"up", "dark"}, "a client that no stage asks has no lease"
    assert {name for name, state in list_states(scene).items() if state == "up"} >= {
        "radio", "bearer", "management", "tunnel", "lan1",
    }  # fmt: skip
    assert all(n.state == "up" for n in scene.nodes)
    assert scene.lights == Lights("on", "on", "on", "on")
    assert scene.signal is not None and 1 <= scene.signal.level <= 4
    assert scene.first_ping is not None and 0 < scene.first_ping.rtt_ms < 1000
    assert 0 < scene.first_ping.at_s < scene.at_s
    assert scene.verdict is not None and scene.verdict.decision == "Undecided", "its checks were left out"
    assert scene.causes == ()


def test_the_first_ping_is_not_shown_before_it_was() -> None:
    tape = judge_tape(BROUGHT_UP)
    whole = play_to_end(make_reel(tape))
    assert whole.first_ping is not None
    reel = make_reel(tape)
    reel.tick(0)
    reel.seek(whole.first_ping.at_s - 0.01)
    reel.tick(0)
    assert show(reel).first_ping is None
    assert show(reel).phase == "running"
    assert show(reel).verdict is None


def test_a_branch_that_stops_says_why_for_the_person_on_site() -> None:
    scene = play_to_end(make_reel(judge_tape(WRONG_PSK)))
    states = {s.name: s.state for s in scene.stages}
    assert (states["configured"], states["tunnel_up"], states["hq_reached"]) == ("reached", "missed", "blocked")
    assert scene.verdict is not None
    assert (scene.verdict.decision, scene.verdict.proven) == ("Do not ship", False)
    assert "wrong_psk" in scene.verdict.text
    assert scene.causes[0].sentence and scene.causes[0].at_site and scene.causes[0].at_bench
    assert scene.headline == scene.verdict.text


def test_a_missed_stage_is_the_headline_until_all_is_judged() -> None:
    tape = judge_tape(WRONG_PSK)
    tape = MemoryTape(tape.plan, tape.entries)
    tape.conclusion = None
    reel = make_reel(tape)
    reel.tick(0)
    reel.seek(1e6)
    reel.tick(0)
    assert show(reel).headline == "The tunnel to HQ is up: not reached"


@pytest.mark.parametrize("name", [BROUGHT_UP, WRONG_PSK, POWER_CUT])
def test_messages_are_few_rise_in_number_and_know_their_ends(name: str) -> None:
    tape = judge_tape(name)
    reel = make_reel(tape, speed=50.0)
    known = {n.name for n in reel.picture.nodes} | {"bench"}
    now_ns, numbers = 0, []
    while not reel.is_over:
        reel.tick(now_ns)
        messages = reel.picture.messages
        assert len(messages) <= MOST_MESSAGES
        assert {m.source for m in messages} | {m.target for m in messages} <= known
        assert [m.number for m in messages] == sorted({m.number for m in messages})
        numbers += [m.number for m in messages if m.number not in numbers]
        now_ns += 50_000_000
    observations = [e.observation for e in tape.entries if e.observation is not None]
    expected = [n for n, o in enumerate(observations) if find_message(n, o, 0.0) is not None]
    assert set(numbers) <= set(expected) and len(numbers) > 100


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from([BROUGHT_UP, WRONG_PSK]),
    steps=st.lists(
        st.tuples(
            st.floats(0.0, 3.0),
            st.sampled_from(["pause", "go_on", "even", "uneven", "stage", "next", "again"]),
            st.floats(SLOWEST, FASTEST),
            st.floats(0.0, 60.0) | st.none(),
        ),
        max_size=12,
    ),
)
def test_the_last_scene_is_the_same_whatever_one_does_on_the_way(
    name: str, steps: list[tuple[float, str, float, float | None]]
) -> None:
    reel, now_ns = make_reel(judge_tape(name)), 0
    for step_s, act, speed, seek_s in steps:
        now_ns += round(step_s * 1e9)
        reel.tick(now_ns)
        reel.player.set_speed(speed)
        match act:
            case "pause":
                reel.player.pause()
            case "go_on":
                reel.player.go_on()
            case "even" | "uneven":
                reel.player.even = act == "even"
            case "stage":
                reel.pause_at_stages = not reel.pause_at_stages
            case "next":
                reel.next_stage()
            case "again":
                reel.again()
        if seek_s is not None:
            reel.seek(seek_s)
    reel.pause_at_stages = False
    reel.player.set_speed(FASTEST)
    for _ in range(2000):
        now_ns += 200_000_000
        reel.player.go_on()
        reel.tick(now_ns)
    assert show(reel) == play_to_end(make_reel(judge_tape(name)))


@settings(max_examples=25, deadline=None)
@given(first_s=st.floats(0.0, 60.0), then_s=st.floats(0.0, 60.0))
def test_going_there_and_going_back_there_show_the_same(first_s: float, then_s: float) -> None:
    tape = judge_tape(BROUGHT_UP)
    straight, around = make_reel(tape), make_reel(tape)
    for reel in (straight, around):
        reel.tick(0)
        reel.player.pause()
    around.seek(first_s)
    around.tick(0)
    for reel in (straight, around):
        reel.seek(then_s)
        reel.tick(0)
    assert show(straight) == show(around)


def test_the_picture_pauses_as_each_stage_ends_and_can_be_sent_to_the_next() -> None:
    reel = make_reel(judge_tape(BROUGHT_UP))
    reel.pause_at_stages = True
    ended = []
    for step in range(3000):
        reel.tick(step * 50_000_000)
        if reel.player.paused:
            ended.append(sum(s.state == "reached" for s in show(reel).stages))
            reel.player.go_on()
    assert ended == sorted(set(ended)) and ended[-1] == 8, "one thing that was seen may end two stages"
    assert len(ended) >= 7
    again = make_reel(judge_tape(BROUGHT_UP))
    again.tick(0)
    for count in ended:
        again.next_stage()
        again.tick(0)
        assert sum(s.state == "reached" for s in show(again).stages) == count
    again.next_stage()
    again.tick(0)
    assert again.is_over


def test_a_tape_that_was_cut_says_so() -> None:
    run = load_tape(BROUGHT_UP)
    scene = play_to_end(make_reel(MemoryTape(run.plan, run.tape[:150])))
    assert scene.hint == "the tape ends here: the run was broken off"
    assert scene.verdict is not None and scene.verdict.decision == "Undecided"


def test_a_live_picture_says_how_far_the_bench_is_ahead() -> None:
    tape = judge_tape(BROUGHT_UP)
    reel = make_reel(tape)
    reel.tick(0)
    assert tell_hint(reel, "live") == f"the bench is {reel.live_s - reel.at_s:.1f} s ahead of this picture"
    reel.seek(1e6)
    reel.tick(0)
    assert tell_hint(reel, "live") == ""


def test_before_the_start_all_is_dark() -> None:
    reel = Reel(BlankTape(PLAN), speed=1.0, even=False, find_edge_ns=None)
    frame = Frame("live", "", PLAN, "waiting", "")
    scene = build_scene(frame, reel, speed=1.0, even=False, pause_at_stages=False)
    assert {n.state for n in scene.nodes} == {"dark"}
    assert {s.state for s in scene.stages} == {"waiting"}
    assert (scene.at_s, scene.live_s, scene.verdict) == (0.0, 0.0, None)
    assert scene.headline == "pier-kiosk / north-pier: ready to start"


# ---------------------------------------------------------------- one observation at a time


def test_a_hand_that_takes_the_power_darkens_the_branch_until_it_boots_again() -> None:
    picture = Picture(PLAN, 0)
    feed(
        picture,
        saw("router/loader", "boot.started", 1.0, boot_count=1, cause="power"),
        saw("router/runtime", "light.changed", 1.1, light="power", state="on"),
        saw("carrier", "attach.accepted", 2.0),
        saw("carrier", "pdn.granted", 2.5, apn="a", rsrp_dbm=-90.0, rsrq_db=-11.0, sinr_db=9.0),
        saw("hq-gateway", "child.installed", 3.0),
    )
    links = {link.name: link.state for link in picture.list_links(4 * 10**9)}
    assert (links["radio"], links["bearer"], links["tunnel"], links["lan1"]) == ("up", "up", "up", "dark")
    assert picture.signal is not None and picture.signal.sinr_db == 9.0
    feed(picture, saw("internet", "command.done", 5.0, label=LABEL, ok=True, verb="clock", result={}))
    links = {link.name: link.state for link in picture.list_links(5 * 10**9)}
    assert (links["radio"], links["bearer"], links["tunnel"], links["lan1"]) == ("down", "down", "down", "dark")
    assert (picture.nodes[0].state, picture.lights, picture.signal) == ("dark", Lights(), None)
    assert picture.is_dark
    feed(picture, saw("router/loader", "boot.started", 9.0, boot_count=2, cause="power"))
    assert (picture.nodes[0].state, picture.is_dark) == ("up", False)


def test_the_devices_word_lights_its_lamps_and_nothing_else() -> None:
    picture = Picture(PLAN, 0)
    feed(
        picture,
        saw("router/runtime", "tunnel.up", 1.0, gateway="198.18.0.30"),
        saw("router/runtime", "uplink.up", 1.0, uplink="cellular"),
        saw("router/runtime", "management.reached", 1.0, server="a"),
        saw("router/runtime", "light.changed", 1.1, light="tunnel", state="blinking"),
        saw("router/runtime", "light.changed", 1.1, light="moon", state="on"),
        saw("router/runtime", "light.changed", 1.1, light="power", state="purple"),
    )
    assert {link.state for link in picture.list_links(0)} == {"dark"}
    assert picture.lights == Lights(tunnel="blinking")


def test_a_management_session_that_falls_silent_is_down() -> None:
    picture = Picture(replace(PLAN, branch=replace(PLAN.branch, heartbeat_s=10.0)), 0)
    feed(picture, saw("management", "session.opened", 1.0), saw("management", "heartbeat.received", 2.0))

    def find_state(at_s: float) -> str:
        return next(link.state for link in picture.list_links(round(at_s * 1e9)) if link.name == "management")

    assert (find_state(33.0), find_state(35.0)) == ("up", "down")
    feed(picture, saw("management", "heartbeat.received", 40.0))
    assert find_state(41.0) == "up"


@pytest.mark.parametrize(
    ("rsrp", "level", "words"),
    [(-70.0, 4, "strong"), (-95.0, 3, "good"), (-100.0, 2, "fair"), (-130.0, 0, "hardly any")],
)
def test_a_level_of_the_signal(rsrp: float, level: int, words: str) -> None:
    signal = build_signal(rsrp, None, None)
    assert (signal.level, signal.words) == (level, words)


def test_echoes_of_the_router_itself_are_no_first_ping() -> None:
    picture = Picture(PLAN, 0)
    ping = saw("client1", "command.done", 3.0, verb="ping", ok=True, result={"rtts_ms": [50.0], "received": 1})
    feed(picture, saw("hq-endpoint", "echo.received", 1.0, source="10.20.10.1"), ping)
    assert picture.first_ping is None
    feed(picture, saw("hq-endpoint", "echo.received", 2.0, source="10.20.10.100"), ping)
    assert picture.first_ping is not None and picture.first_ping.rtt_ms == 50.0


HOSTILE = "</script><script>alert(1)</script>\x1b[2J\u202egnp.exe\x00\r\n\r\n" + "z" * 5000
ANY = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.lists(st.integers(), max_size=3)
)


def test_hostile_words_are_shown_and_do_nothing() -> None:
    plan = replace(PLAN, branch=replace(PLAN.branch, hostname=HOSTILE, profile=HOSTILE))
    seen = [
        saw("hq-endpoint", "log.received", 1.0, app=HOSTILE, text=HOSTILE),
        saw("router/modem", "at.response", 1.0, line=HOSTILE),
        saw("management", "restconf.exchanged", 1.0, method=HOSTILE, path=HOSTILE, summary=HOSTILE),
        saw("router/runtime", HOSTILE, 1.0),
        saw("internet", "command.done", 1.0, label="bench.on.hand1." + HOSTILE, error=HOSTILE, verb=HOSTILE),
    ]
    tape = MemoryTape(plan, [TapeEntry("start", 10**9), *(TapeEntry("observation", 2 * 10**9, o) for o in seen)])
    text = json.dumps(to_json(play_to_end(make_reel(tape))), ensure_ascii=False)
    assert "<script>alert(1)" in text, "what was said is shown, as text"
    assert text.isprintable() and "\u202e" not in text
    assert "z" * 1500 not in text


@settings(max_examples=200, deadline=None)
@given(
    kinds=st.sampled_from(
        sorted(
            {(o.source, o.kind) for e in load_tape(BROUGHT_UP).tape if (o := e.observation) is not None}
            | {("client1", "command.done"), ("carrier", "link.cut"), ("hq-gateway", "sa.refused")}
        )
    ),
    keys=st.dictionaries(
        st.sampled_from(
            [
                "label",
                "light",
                "state",
                "rsrp_dbm",
                "rsrq_db",
                "sinr_db",
                "source",
                "result",
                "verb",
                "name",
                "path",
                "apn",
                "line",
                "text",
                "imsi",
            ]
        ),
        ANY | st.dictionaries(st.sampled_from(["rtts_ms"]), ANY, max_size=1),
        max_size=6,
    ),
)
def test_whatever_a_stand_in_says_is_a_scene(kinds: tuple[str, str], keys: dict[str, object]) -> None:
    picture = Picture(PLAN, 0)
    source, kind = kinds
    feed(picture, *(Observation(source, "core", kind, 10**9, 10**9, 10**9, n, keys) for n in range(2)))
    for message in picture.messages:
        assert message.text.isprintable()
    json.dumps(
        to_json((picture.nodes, picture.messages, picture.list_links(0), picture.lights, picture.signal)),
        allow_nan=False,
    )
