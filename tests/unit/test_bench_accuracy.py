"""What the bench counts as a right diagnosis, and which pairs it tries."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.faults import BEFORE_POWER, IN_SERVICE, Applied, Expectation, Family, Fault, Onset, Parameter
from harness.core.registry import load_faults, load_stages
from harness.core.replay import replay
from harness.core.sample import build_plan
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.trial.choose import is_kept_back, parse_applied
from harness.trial.prelude import Prelude
from harness.trial.trial import Trial
from tests.bench.accuracy import Tried, choose_pairs, find_share, list_hidden, list_kept_back, share_out
from tests.bench.diagnosis import PAIRS
from tests.bench.runs import PROFILE
from tests.corpus.recorded import FOLDER, load_recorded

PLAN = build_plan()


@pytest.mark.parametrize(
    ("right", "named", "is_first", "is_among_top"),
    [
        ((("a",),), ("a", "b"), True, True),
        ((("a", "c"),), ("c",), True, True),
        ((("a",),), ("b", "c", "a"), False, True),
        ((("a",),), ("b", "c", "d", "a"), False, False),
        ((("a",),), (), False, False),
        (((),), (), True, True),
        (((),), ("a",), False, False),
        ((("a",), ("b",)), ("b", "c", "a"), True, True),
        ((("a",), ("b",)), ("a", "c", "d", "b"), True, False),
        ((("a",), ("b",)), ("a",), True, False),
    ],
)
def test_what_is_right(
    right: tuple[tuple[str, ...], ...], named: tuple[str, ...], is_first: bool, is_among_top: bool
) -> None:
    tried = Tried("x", "g", right, named, "")
    assert (tried.is_first, tried.is_among_top) == (is_first, is_among_top)


def test_share() -> None:
    assert find_share([True, False, True, True]) == 75.0
    assert find_share([]) == 0.0


def fault(
    name: str,
    family: Family,
    stage: str | None,
    *,
    strikes: str = "service",
    serves: bool | None = None,
    onset: Onset = BEFORE_POWER,
    parameters: tuple[Parameter, ...] = (),
) -> Fault:
    expectation = Expectation(stage, serves, 60.0, (name,), "")
    return Fault(
        name, 1, family, "", "", strikes, "common", lambda p, v: (), lambda p, v: expectation, lambda p, v, e: None,
        parameters, onset,
    )  # fmt: skip


APN = fault("apn", "carrier path", "wan_obtained", strikes="wan_obtained")
SIM = fault("sim", "SIM and radio", "wan_obtained", strikes="wan_obtained")
SLOW = fault("slow", "carrier path", None, strikes="wan_obtained", serves=True)
KEY = fault("key", "tunnel and HQ", "tunnel_up", strikes="tunnel_up")
LATE = fault("late", "tunnel and HQ", None, strikes="hq_reached", serves=True)
DEAD = fault("dead", "site", None, serves=False, onset=IN_SERVICE)
HOT = fault("hot", "management", None, serves=True, onset=IN_SERVICE)


def chosen(*faults: Fault) -> set[tuple[str, str]]:
    return {(a.text, b.text) for a, b in choose_pairs(PLAN, faults, 99)}


def test_pairs_that_can_both_show() -> None:
    assert chosen(APN, KEY) == set(), "the first stop hides the second"
    assert chosen(APN, SLOW) == set(), "one family"
    assert chosen(SIM, SLOW) == set(), "both at one stage: no card, so no path that is slow"
    assert chosen(SLOW, KEY) == {("slow", "key")}
    assert chosen(LATE, SIM) == set(), "the stop comes before the other strikes"
    assert chosen(KEY, DEAD) == set(), "never in service"
    assert chosen(SLOW, DEAD) == {("slow", "dead")}
    assert chosen(DEAD, HOT) == {("dead", "hot")}
    assert chosen(DEAD, replace(HOT, expects=DEAD.expects)) == set(), "both dead: one hides the other"
    assert chosen(DEAD, replace(HOT, why_not=lambda p, v: "cannot")) == set()


def test_no_pair_of_the_catalogue_stops_where_its_other_strikes() -> None:
    """And there are as many as the bench tries."""
    loaded = load_profile(PROFILE)
    plan = compile_plan(loaded, next(iter(site_names(loaded))), "fast", None)
    stages = [s.name for s in load_stages()]
    pairs = choose_pairs(plan, load_faults(), PAIRS)
    for one, other in [(a, b) for pair in pairs for a, b in (pair, pair[::-1])]:
        stop = other.fault.expects(plan, other.values).stage
        assert stop is None or one.fault.strikes in stages[: stages.index(stop)], f"{one.text} and {other.text}"
    assert len(pairs) == PAIRS


def test_pairs_are_few_and_each_fault_in_two_at_most() -> None:
    faults = [fault(f"a{n}", "site", None, serves=True, onset=IN_SERVICE) for n in range(4)]
    faults += [fault(f"b{n}", "management", None, serves=True, onset=IN_SERVICE) for n in range(4)]
    pairs = choose_pairs(PLAN, faults, 5)
    turned = choose_pairs(PLAN, list(reversed(faults)), 5)
    assert len(pairs) == 5
    assert [{a.text for a in pair} for pair in pairs] == [{a.text for a in pair} for pair in turned]
    texts = [a.text for pair in choose_pairs(PLAN, faults, 99) for a in pair]
    assert max(map(texts.count, texts)) == 2


def test_each_fault_is_tried_on_the_first_branch_that_it_can_befall() -> None:
    only_second = replace(KEY, why_not=lambda plan, values: "no" if plan is PLAN else None)
    nowhere = replace(APN, why_not=lambda plan, values: "no")
    applied = [Applied(f, {}) for f in (SLOW, only_second, nowhere)]
    assert share_out([PLAN, build_plan(site="other")], applied) == [[applied[0]], [applied[1]]]


def test_kept_back_are_variants_only() -> None:
    parameters = (Parameter("s", "s", 1.0, tuple(float(n) for n in range(2, 40))),)
    varied = replace(SLOW, parameters=parameters)
    kept = list_kept_back([varied])
    assert kept and all(is_kept_back(a) and a.values["s"] != 1.0 for a in kept)
    assert len(kept) < len(parameters[0].others)


@pytest.mark.parametrize("name", ["antenna_off", "coverage_lost", "modem_hangs", "registration_flapping", "rogue_dhcp"])
def test_what_set_in_while_in_service_is_seen_to_have_shown(name: str) -> None:
    """Some of these know by the bench's own doings when they set in; a case has none of those."""
    run = load_recorded(FOLDER / "runs" / f"{name}-pier-kiosk.jsonl.gz")
    machine = replay(run.plan, run.tape)
    trial = Trial(run.plan, Prelude(run.plan, [parse_applied(name, load_faults(), name)]), machine, ())
    assert list_hidden(trial, None) == [name], "it never began"
    trial.notes[0].begun_ns = machine.stages_closed_ns
    assert list_hidden(trial, None) == []
    assert list_hidden(trial, "hq_reached") == [name], "the bring-up stopped before"
    trial.notes[0].begun_ns = max(o.at_ns for o in machine.evidence) + 1
    assert list_hidden(trial, None) == [name], "what was seen before it began shows nothing"
