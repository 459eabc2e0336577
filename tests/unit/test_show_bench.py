"""A live run behind the page: real sessions in the scripted lab, in real time. And the orders by hand."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.app import MonotonicClock, Options, Session
from harness.core.faults import Applied
from harness.core.model import Action, Ask, Plan, PowerCut, PowerOn
from harness.core.registry import load_checks, load_faults
from harness.core.replay import replay
from harness.core.sample import build_plan
from harness.lab.fake_lab import Breakage, FakeClock, FakeLab, Reaction, answer
from harness.run_folder import load_run, load_verdict
from harness.show.live import UNWATCHED_S, LiveShow
from harness.show.orders import CUT_POWER, PULL_SIM, Bench, OrderError, read_order
from harness.show.scene import Scene
from harness.show.showing import ActError
from harness.stages.powered import EXAMPLES

_SAMPLE = build_plan()
_PATIENT = replace(_SAMPLE.branch.acceptance, budgets_s={**_SAMPLE.branch.acceptance.budgets_s, "powered": 60.0})
PLAN = replace(
    _SAMPLE,
    branch=replace(_SAMPLE.branch, acceptance=_PATIENT),
    until="powered",
    skip=tuple(c.name for c in load_checks()),
)
BOOT_S = 0.4
PATIENCE_S = 60.0
FAULTS = {f.name: f for f in load_faults()}


class RealClock(FakeClock):
    """The scripted lab's clock, for once the wall's: waiting takes its time."""

    def now_ns(self) -> int:
        return time.monotonic_ns()

    def move_to(self, at_ns: int) -> None:
        time.sleep(max(0, at_ns - self.now_ns()) / 1e9)  # this is what the clock is


class Lab(FakeLab):
    """What a session asks of a lab besides ports.Lab."""

    made_secrets: Mapping[str, str] = {}
    folder = ""
    stops = 0

    def stop(self, keep: bool = False) -> None:
        self.stops += 1
        super().stop(keep)


def react(action: Action) -> Sequence[Reaction | Breakage]:
    if isinstance(action, PowerOn):
        booted = EXAMPLES[0].observations
        return [Reaction(BOOT_S, o.source, o.kind, o.data, o.part) for o in booted]
    return [answer(action, 0.01, {"under_way": []})] if isinstance(action, Ask) else []


class HungBoot:
    """A script whose first boots hang: the run cannot come to its end before as many were cut short by hand."""

    def __init__(self, hung: int) -> None:
        self.hung = hung

    def __call__(self, action: Action) -> Sequence[Reaction | Breakage]:
        if isinstance(action, PowerOn) and self.hung:
            self.hung -= 1
            return react(action)[:1]
        return react(action)


class Labs:
    """Opens sessions as the bench does, each in a scripted lab of its own."""

    def __init__(self, script: Callable[[Action], Sequence[Reaction | Breakage]] = react) -> None:
        self.script = script
        self.made: list[Lab] = []

    def open(self, plan: Plan, secrets: Mapping[str, str], options: Options, applied: Sequence[Applied]) -> Session:
        lab = Lab(self.script, RealClock())
        self.made.append(lab)
        joined = SimpleNamespace(
            lab=lab, run_id=f"{len(self.made):06x}", folder="", source="", join=lambda tape, clock: lab.start() or ()
        )
        return Session(plan, secrets, options, applied=applied, going_on=joined)


class Watcher:
    """Moves a show on, as the server does."""

    def __init__(self, show: LiveShow) -> None:
        self.show = show
        self.ahead_ns = 0
        """By how much the show is told a later time than it is."""

    def tick(self, ahead_s: float = 0.0) -> None:
        """Let time pass, besides that which does."""
        self.ahead_ns += round(ahead_s * 1e9)
        self.show.tick(time.monotonic_ns() + self.ahead_ns)

    def wait(self, accepts: Callable[[Scene], bool]) -> Scene:
        until = time.monotonic() + PATIENCE_S
        while True:
            self.tick()
            scene = self.show.build_scene()
            if accepts(scene):
                return scene
            told = (scene.phase, scene.hint, scene.headline, scene.acts, scene.at_s, scene.live_s)
            assert time.monotonic() < until, f"not so within {PATIENCE_S:g} s: {told}"
            time.sleep(0.01)  # between two ticks

    def act(self, act: str, /, **more: Any) -> None:
        self.show.act({"act": act, **more})


@pytest.fixture
def labs() -> Labs:
    return Labs()


@pytest.fixture
def watcher(labs: Labs, tmp_path: Path) -> Iterator[Watcher]:
    show = LiveShow(PLAN, {}, tmp_path, MonotonicClock(), open_session=labs.open)
    yield Watcher(show)
    show.close()
    assert all(lab.stops for lab in labs.made), "no lab is left up"


def find_folder(tmp_path: Path) -> Path:
    (folder,) = tmp_path.iterdir()
    return folder


def list_verbs(lab: Lab) -> list[str]:
    return [a.ask if isinstance(a, Ask) else a.verb for a in lab.performed]


# ---------------------------------------------------------------- a live run


def test_a_run_without_a_hand_is_judged_and_left_standing_until_it_is_finished(
    watcher: Watcher, labs: Labs, tmp_path: Path
) -> None:
    assert "start" in watcher.show.acts
    watcher.act("start")
    scene = watcher.wait(lambda s: s.verdict is not None)
    assert (scene.phase, scene.mode, scene.verdict and scene.verdict.proven) == ("running", "live", True)
    watcher.wait(lambda s: "finish" in s.acts)
    assert labs.made[0].stops == 0, "the branch stands"
    watcher.act("finish")
    over = watcher.wait(lambda s: s.phase == "over")
    assert labs.made[0].stops > 0
    assert "again" in over.acts and "cut_power" not in over.acts
    folder = find_folder(tmp_path)
    assert json.loads((folder / "verdict.json").read_bytes())["proven"] is True
    assert not (folder / "faults.json").exists()


def test_orders_act_now_are_on_the_tape_and_mark_the_run(watcher: Watcher, labs: Labs, tmp_path: Path) -> None:
    labs.script = HungBoot(1)
    watcher.act("start")
    watcher.wait(lambda s: "cut_power" in s.acts)
    watcher.act("pull_sim")
    watcher.wait(lambda s: any(m.text == f"by hand: {PULL_SIM} on" for m in s.messages))
    watcher.act("pause")
    watcher.act("cut_power")
    for name in ("cut_power", "pull_sim"):
        with pytest.raises(ActError):
            watcher.act(name)
    with pytest.raises(ActError, match="no power"):
        watcher.act("mend", name=PULL_SIM)
    behind = watcher.wait(lambda s: s.live_s - s.at_s > 1)
    assert behind.phase == "paused" and "ahead of this picture" in behind.hint
    assert labs.made[0].performed.count(PowerCut()) == 1, "done, though the picture stands"
    watcher.act("give_power")
    watcher.act("insert_sim")
    watcher.act("go_on")
    watcher.act("seek", at_s=1e6)
    watcher.wait(lambda s: "finish" in s.acts)
    watcher.act("finish")
    scene = watcher.wait(lambda s: s.phase == "over")
    assert scene.verdict is not None and scene.verdict.decision == "Undecided"
    verbs = list_verbs(labs.made[0])
    assert (verbs.count("power_cut"), verbs.count("power_on")) == (1, 2)
    assert (verbs.count("impair"), verbs.count("mend")) == (1, 1)
    folder = find_folder(tmp_path)
    assert json.loads((folder / "faults.json").read_bytes())["faults"] == [PULL_SIM, CUT_POWER]
    saved = load_run(folder)
    told = [order for e in saved.tape if e.observation and (order := read_order(e.observation))]
    assert told == [PULL_SIM, CUT_POWER]
    assert load_verdict(folder)[1].stages == replay(saved.plan, saved.tape).results()


def test_a_fault_that_is_chosen_before_goes_into_the_run_as_its_trial(watcher: Watcher, labs: Labs) -> None:
    watcher.act("inject", name=PULL_SIM)
    watcher.act("inject", name="wrong_psk")
    watcher.act("mend", name="wrong_psk")
    chosen = watcher.show.build_scene()
    assert [f.name for f in chosen.faults if f.active] == [PULL_SIM]
    watcher.act("start")
    scene = watcher.wait(lambda s: "cut_power" in s.acts)
    assert list_verbs(labs.made[0])[:2] == ["impair", "power_on"], "it sets in before power"
    assert "pull_sim" not in scene.acts and "insert_sim" not in scene.acts
    with pytest.raises(ActError, match="before its start"):
        watcher.act("inject", name=PULL_SIM)


def test_a_run_that_is_broken_off_takes_its_lab_down_and_says_what_was_put_upon_it(labs: Labs, tmp_path: Path) -> None:
    labs.script = HungBoot(1)
    show = LiveShow(PLAN, {}, tmp_path, MonotonicClock(), open_session=labs.open)
    watcher = Watcher(show)
    watcher.act("start")
    watcher.wait(lambda s: "inject" in s.acts and s.phase == "running")
    watcher.act("inject", name="gateway_down")
    watcher.wait(lambda s: labs.made[0].performed[-1] != PowerOn())
    assert show.is_on
    show.close()
    assert labs.made[0].stops > 0
    folder = find_folder(tmp_path)
    assert not (folder / "verdict.json").exists()
    assert json.loads((folder / "faults.json").read_bytes())["faults"] == ["gateway_down"]


def test_a_lab_that_breaks_is_told_and_taken_down(tmp_path: Path) -> None:
    labs = Labs(lambda action: [Breakage(0.1, "carrier", "exit code 9")])
    show = LiveShow(PLAN, {}, tmp_path, MonotonicClock(), open_session=labs.open)
    watcher = Watcher(show)
    watcher.act("start")
    scene = watcher.wait(lambda s: s.phase == "broken")
    assert "exit code 9" in scene.hint
    assert scene.verdict is None or not scene.verdict.proven
    assert labs.made[0].stops > 0
    assert "again" in scene.acts
    watcher.act("again")
    assert watcher.show.build_scene().phase == "waiting"
    show.close()


def test_an_order_that_came_at_a_wrong_moment_is_no_broken_lab(watcher: Watcher, labs: Labs) -> None:
    watcher.act("start")
    watcher.wait(lambda s: "inject" in s.acts)
    labs.made[0]._nodes = ()  # nobody can be asked any more
    watcher.act("inject", name="gateway_down")
    scene = watcher.wait(lambda s: "was not carried out" in s.hint)
    assert scene.phase == "running"
    watcher.wait(lambda s: s.verdict is not None)


def test_a_second_run_after_the_first(watcher: Watcher, labs: Labs, tmp_path: Path) -> None:
    for count in (1, 2):
        watcher.act("start")
        watcher.wait(lambda s: "finish" in s.acts)
        watcher.act("finish")
        watcher.wait(lambda s: "again" in s.acts)
        watcher.act("again")
        assert len(list(tmp_path.iterdir())) == count
        assert watcher.show.build_scene().phase == "waiting"


def test_a_branch_that_stands_unwatched_is_taken_down_after_a_while(watcher: Watcher, labs: Labs) -> None:
    show = watcher.show
    watcher.act("start")
    show.watchers = 1
    watcher.wait(lambda s: "finish" in s.acts)
    watcher.tick(1000.0)
    show.watchers = 0  # its page was closed
    watcher.tick(UNWATCHED_S - 5)
    assert "finish" in show.acts, "or only loaded anew"
    watcher.tick(5)
    watcher.wait(lambda s: s.phase == "over")
    assert labs.made[0].stops > 0


@pytest.mark.parametrize("act", ["finish", "cut_power", "give_power", "pull_sim", "insert_sim", "pause"])
def test_the_bench_takes_no_order_before_there_is_one(watcher: Watcher, act: str) -> None:
    with pytest.raises(ActError, match="not possible now"):
        watcher.act(act)


@pytest.mark.parametrize("name", ["nothing", "", None, 7, "cut_power"])
def test_a_fault_that_is_none(watcher: Watcher, name: object) -> None:
    for act in ("inject", "mend"):
        with pytest.raises(ActError):
            watcher.act(act, name=name)


# ---------------------------------------------------------------- orders by themselves


def apply(name: str) -> Applied:
    return Applied(FAULTS[name], FAULTS[name].usual())


ORDERS = ["cut_power", "give_power", *(f"+{n}" for n in ("sim_missing", "wrong_psk", "power_cut_in_service")),
          *(f"-{n}" for n in ("sim_missing", "wrong_psk", "power_cut_in_service"))]  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(ORDERS), max_size=25))
def test_each_order_is_undone_once_at_most_and_a_dark_router_is_asked_nothing(orders: list[str]) -> None:
    bench = Bench(PLAN)
    in_force: set[str] = set()
    has_power, labels = True, []
    for order in orders:
        try:
            actions = _give(bench, order)
        except OrderError:
            continue
        for action in actions:
            if isinstance(action, PowerCut | PowerOn):
                assert has_power is isinstance(action, PowerCut), "power is cut once, and given once"
                has_power = not has_power
            elif isinstance(action, Ask):
                assert has_power or action.node != "router"
                assert action.label.startswith("bench.")
                labels.append(action.label)
                if action.ask in ("impair", "mend"):
                    is_on = action.ask == "impair"
                    key = f"{action.node} {action.args['what']}"
                    assert (key in in_force) is not is_on
                    in_force ^= {key}
        assert has_power is not bench.is_dark
    assert len(labels) == len(set(labels))


def _give(bench: Bench, order: str) -> tuple[Action, ...]:
    if order == "cut_power":
        return bench.cut_power()
    if order == "give_power":
        return bench.give_power()
    return bench.inject(apply(order[1:])) if order[0] == "+" else bench.mend(order[1:])


def test_a_trial_that_cuts_power_has_the_plug_for_itself() -> None:
    bench = Bench(PLAN, (apply("power_cut_in_service"),))
    with pytest.raises(OrderError, match="has the plug"):
        bench.cut_power()


def test_a_fault_that_cannot_befall_the_branch_is_refused() -> None:
    plan = replace(PLAN, branch=replace(PLAN.branch, uplinks=("ethernet",)))
    with pytest.raises(OrderError, match="sim_missing: "):
        Bench(plan).inject(apply("sim_missing"))
