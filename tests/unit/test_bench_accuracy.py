"""What the bench counts as a right diagnosis, and which pairs it tries."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.faults import BEFORE_POWER, IN_SERVICE, Applied, Expectation, Family, Fault, Onset, Parameter
from harness.core.sample import build_plan
from harness.trial.choose import is_kept_back
from tests.bench.accuracy import Tried, choose_pairs, find_share, list_kept_back, share_out

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
    assert chosen(SIM, SLOW) == {("sim", "slow")}
    assert chosen(SLOW, KEY) == {("slow", "key")}
    assert chosen(LATE, SIM) == set(), "the stop comes before the other strikes"
    assert chosen(KEY, DEAD) == set(), "never in service"
    assert chosen(SLOW, DEAD) == {("slow", "dead")}
    assert chosen(DEAD, HOT) == {("dead", "hot")}
    assert chosen(DEAD, replace(HOT, expects=DEAD.expects)) == set(), "both dead: one hides the other"
    assert chosen(DEAD, replace(HOT, why_not=lambda p, v: "cannot")) == set()


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
