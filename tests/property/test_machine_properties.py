"""Laws of the run machine over the sample run: replay, delivery, use of observations, wake-ups, one need missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.machine import RunMachine
from harness.core.model import Finding, Observation, StageResult
from harness.core.registry import load_checks, load_stages
from harness.core.rehearse import Rehearsal, list_nominal, rehearse
from harness.core.replay import replay
from harness.core.sample import BUDGETS_S, build_plan
from harness.core.timing import SETTLE_NS, to_ns

PLAN = build_plan()
NOMINAL = list_nominal()
STAGES, CHECKS = load_stages(), load_checks()
SOURCES = sorted({s.source for s in NOMINAL})

some_observations = st.lists(st.sampled_from(range(len(NOMINAL))), unique=True).map(
    lambda left_out: [s for i, s in enumerate(NOMINAL) if i not in left_out]
)
delays_ns = st.lists(st.integers(0, SETTLE_NS - 1), min_size=len(NOMINAL), max_size=len(NOMINAL))


def run(observations: Sequence[Observation], delays: Sequence[int] | None = None) -> Rehearsal:
    find = (lambda index: delays[index]) if delays is not None else (lambda index: 0)
    return rehearse(RunMachine(PLAN, STAGES, CHECKS), observations, find)


def describe(machine: RunMachine) -> list[tuple[object, ...]]:
    """What must not depend on delivery: everything but the numbers of evidence, whose order is that of arrival."""

    def of_finding(f: Finding) -> tuple[object, ...]:
        pointed = sorted(
            (machine.evidence[i].source, machine.evidence[i].kind, machine.evidence[i].at_ns) for i in f.evidence
        )
        return f.check, f.outcome, f.claim, f.expected, f.seen, tuple(pointed)

    def of_stage(s: StageResult) -> tuple[object, ...]:
        return s.stage, s.outcome, s.took_s, s.budget_s, s.summary, *map(of_finding, s.findings)

    return [*map(of_stage, machine.results()), *map(of_finding, machine.findings())]


@settings(max_examples=20, deadline=None)
@given(some_observations, delays_ns)
def test_a_replay_is_the_same_run(observations: list[Observation], delays: list[int]) -> None:
    live = run(observations, delays)
    again = replay(PLAN, live.tape)
    assert (again.results(), again.findings(), again.done) == (live.machine.results(), live.machine.findings(), True)
    assert list(again.evidence) == list(live.machine.evidence)


@settings(max_examples=20, deadline=None)
@given(some_observations, delays_ns)
def test_outcomes_do_not_depend_on_delivery(observations: list[Observation], delays: list[int]) -> None:
    assert describe(run(observations, delays).machine) == describe(run(observations).machine)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.sampled_from(NOMINAL), max_size=60), delays_ns)
def test_no_observation_is_used_by_two_needs(observations: list[Observation], delays: list[int]) -> None:
    used = [i for s in run(observations, delays).machine.results() if s.took_s is not None for i in s.evidence]
    assert len(used) == len(set(used))


@settings(max_examples=20, deadline=None)
@given(some_observations, delays_ns)
def test_the_next_wake_up_is_always_ahead_and_time_goes_forward(
    observations: list[Observation], delays: list[int]
) -> None:
    machine = RunMachine(PLAN, STAGES, CHECKS)
    tape = run(observations, delays).tape
    before = tape[0].now_ns
    for entry in tape:
        assert entry.now_ns >= before
        before = entry.now_ns
        if entry.kind == "start":
            machine.start(entry.now_ns)
        elif entry.observation is not None:
            machine.on_observation(entry.observation, entry.now_ns)
        else:
            machine.on_tick(entry.now_ns)
        assert machine.done or (machine.deadline_ns is not None and machine.deadline_ns > entry.now_ns)
    assert machine.done and machine.deadline_ns is None


@settings(max_examples=15, deadline=None)
@given(some_observations)
def test_a_run_ends_within_all_budgets(observations: list[Observation]) -> None:
    limit_s = sum(BUDGETS_S.values()) + sum(s.answers_within_s for s in STAGES) + sum(c.timeout_s for c in CHECKS)
    assert run(observations).tape[-1].now_ns <= to_ns(limit_s) + 2 * SETTLE_NS


@settings(max_examples=20, deadline=None)
@given(some_observations)
def test_a_stage_is_blocked_only_behind_one_that_was_not_reached(observations: list[Observation]) -> None:
    results = run(observations).machine.results()
    reached = [s.took_s is not None for s in results]
    assert reached == sorted(reached, reverse=True)
    assert sum(s.took_s is None and not s.summary.startswith("blocked by") for s in results) <= 1


def _witnesses() -> list[tuple[str, Observation]]:
    results = run(NOMINAL).machine.results()
    machine = run(NOMINAL).machine
    return [(s.stage, machine.evidence[i]) for s in results for i in s.evidence]


@pytest.mark.parametrize(("name", "witness"), _witnesses(), ids=lambda v: v if isinstance(v, str) else v.kind)
def test_without_one_of_its_witnesses_exactly_that_stage_fails(name: str, witness: Observation) -> None:
    """Every observation that would do as well is left out too: a second lease, another echo."""
    stage = next(s for s in STAGES if s.name == name)
    need = next(n for n in stage.needs(PLAN) if n.matches(PLAN, witness))
    results = run([s for s in NOMINAL if not need.matches(PLAN, s)]).machine.results()
    outcomes = {s.stage: s.outcome for s in results}
    place = list(outcomes).index(name)
    assert list(outcomes.values())[place] == "FAIL"
    earlier, later = list(outcomes.values())[:place], list(outcomes.values())[place + 1 :]
    shared = need.kind == "report.received"  # an earlier stage may rest on the same kind, never on the same report
    assert set(earlier) <= {"PASS"} or shared
    assert set(later) <= {"INCONCLUSIVE"}


@settings(max_examples=20, deadline=None)
@given(some_observations)
def test_a_node_alone_cannot_prove_the_run(observations: list[Observation]) -> None:
    """Without what the router says of itself no stage behind `powered` changes from not reached to reached."""
    mute = [s for s in observations if s.source != "router" or s.part == "loader"]
    reached = [s.took_s for s in run(observations).machine.results()]
    assert [s.took_s for s in run(mute).machine.results()] == reached


leaves = st.none() | st.booleans() | st.integers(-(2**40), 2**40) | st.floats(allow_nan=False) | st.text(max_size=12)
values = st.recursive(
    leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_whatever_a_stand_in_says_is_judged(data: st.DataObject) -> None:
    """A field of a wrong shape is a finding, never an exception: the run has an end and a verdict."""
    changed: list[Observation] = []
    places = data.draw(st.sets(st.integers(0, len(NOMINAL) - 1), min_size=1, max_size=4))
    for index, seen in enumerate(NOMINAL):
        if index in places and seen.data:
            inside = isinstance(seen.data.get("result"), dict) and data.draw(st.booleans())
            fields = dict(seen.data["result"]) if inside else dict(seen.data)
            key = data.draw(st.sampled_from(sorted(set(fields) - {"label"})))
            fields[key] = data.draw(values)
            seen = replace(seen, data={**seen.data, "result": fields} if inside else fields)  # noqa: PLW2901
        changed.append(seen)
    machine = run(changed).machine
    assert machine.done and len(machine.results()) == len(STAGES)
