"""What comes of a trial, case by case: each way to pass wrongly is a case that does not pass."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.faults import BEFORE_POWER, IN_SERVICE, Expectation, Onset, cut_power
from harness.core.machine import RunMachine
from harness.core.model import Ask, PowerCut, PowerOn
from harness.core.replay import replay
from tests.unit.trial_bench import PLAN, STAGES, World, build_fault, try_out

LOST = Expectation(stage=None, serves=False, back_within_s=30.0, causes=("test_fault",), why="")
STOPPED = replace(LOST, stage="hq_reached")
RIDDEN = replace(LOST, serves=True)
BRIEF = replace(LOST, serves=None)


def outcome_of(world: World, expectation: Expectation, onset: Onset = IN_SERVICE) -> str:
    return try_out(world, build_fault(onset=onset, expectation=expectation)).outcome.outcome


def test_a_branch_that_loses_service_and_is_back_in_time_is_as_expected() -> None:
    tried = try_out(World(), build_fault(onset=IN_SERVICE, expectation=LOST))
    assert tried.outcome.outcome == "PASS"
    assert tried.outcome.seen == "no service"
    assert tried.outcome.back_s is not None and 0 <= tried.outcome.back_s <= 30


@pytest.mark.parametrize(
    ("world", "expectation", "outcome"),
    [
        (World(shows=False), LOST, "INCONCLUSIVE"),  # the fault was not there
        (World(back=False), LOST, "FAIL"),  # never back
        (World(serves=True), LOST, "FAIL"),  # it bit nobody
        (World(serves=True), RIDDEN, "PASS"),
        (World(), RIDDEN, "FAIL"),  # service is lost, and should not be
        (World(), STOPPED, "FAIL"),  # it should have stopped the bring-up
        (World(failing=frozenset({"impair"})), LOST, "INCONCLUSIVE"),  # the bench could not
        (World(failing=frozenset({"mend"})), LOST, "INCONCLUSIVE"),
        (World(deaf=frozenset({"impair"})), LOST, "INCONCLUSIVE"),
        (World(deaf=frozenset({"mend"})), LOST, "INCONCLUSIVE"),
        (World(deaf=frozenset({"ping"})), LOST, "FAIL"),  # nothing shows that it is back
    ],
)
def test_what_comes_of_a_fault_in_service(world: World, expectation: Expectation, outcome: str) -> None:
    assert outcome_of(world, expectation) == outcome


@pytest.mark.parametrize(
    ("world", "expectation", "outcome"),
    [
        (World(stops=True), STOPPED, "PASS"),
        (World(stops=True), LOST, "FAIL"),  # stopped, and should not have been
        (World(stops=False), STOPPED, "FAIL"),
        (World(stops=True, back=False), STOPPED, "FAIL"),
    ],
)
def test_what_comes_of_a_fault_before_power(world: World, expectation: Expectation, outcome: str) -> None:
    assert outcome_of(world, expectation, BEFORE_POWER) == outcome


def test_what_sets_in_before_power_is_answered_before_power_is_given() -> None:
    performed = try_out(World(stops=True), build_fault(onset=BEFORE_POWER, expectation=STOPPED)).performed
    verbs = [getattr(a, "ask", a.verb) for a in performed]
    assert verbs.index("impair") < verbs.index("power_on") < verbs.index("mend")


def test_a_fault_whose_stage_is_never_reached_was_not_tried() -> None:
    world = World(stops=True)
    world.impaired.add("something else")
    tried = try_out(world, build_fault(onset=IN_SERVICE, expectation=LOST))
    assert tried.outcome.outcome == "FAIL"  # the bring-up stopped, and should not have
    assert (tried.count("impair"), tried.count("mend")) == (0, 0)


def test_a_power_cut_is_ended_after_its_time_and_the_branch_is_looked_at() -> None:
    fault = build_fault(
        onset=IN_SERVICE,
        expectation=BRIEF,
        doings=(cut_power(),),
        lasts_s=2.0,
        shows=lambda p, v, e: (e.find_all("router", "boot.started")[1:] or (None,))[0],
    )
    tried = try_out(World(), fault)
    assert tried.outcome.outcome == "PASS"
    assert [type(a) for a in tried.performed if not isinstance(a, Ask)] == [PowerOn, PowerCut, PowerOn]


def test_several_faults_are_undone_in_reverse_order() -> None:
    one = build_fault(onset=IN_SERVICE, expectation=LOST)
    two = build_fault(onset=IN_SERVICE, expectation=LOST)
    other = replace(two, fault=replace(two.fault, name="other"))
    tried = try_out(World(), one, other)
    labels = [a.label for a in tried.performed if isinstance(a, Ask) and a.ask in ("impair", "mend")]
    assert labels == ["bench.on.0.0", "bench.on.1.0", "bench.off.1.0", "bench.off.0.0"]
    assert tried.outcome.outcome == "PASS"


def test_the_tape_of_a_trial_replays_to_the_same_bring_up() -> None:
    tried = try_out(World(stops=True), build_fault(onset=BEFORE_POWER, expectation=STOPPED))
    again: RunMachine = replay(PLAN, tried.tape, STAGES, ())
    assert again.results() == tried.trial.machine.results()
    assert list(again.evidence) == list(tried.trial.machine.evidence)
