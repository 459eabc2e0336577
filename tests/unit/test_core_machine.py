"""The rules of stage time, one by one, on small stages of the test's own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from harness.core.entries import Check, Evidence, Hint, Need, Stage, do_nothing, hold
from harness.core.machine import RunMachine
from harness.core.model import Ask, Observation, Plan, PowerOn
from harness.core.rehearse import rehearse
from harness.core.sample import answered, build_plan, saw
from harness.core.timing import SETTLE_S, to_ns
from harness.core.verdict import combine, find_worst

BUDGETS = {"one": 10.0, "two": 10.0, "three": 10.0}


def plan(until: str | None = None) -> Plan:
    base = build_plan()
    return replace(
        base, until=until, branch=replace(base.branch, acceptance=replace(base.branch.acceptance, budgets_s=BUDGETS))
    )


def stage(name: str, kinds: tuple[str, ...], actions: Callable = do_nothing, **more: object) -> Stage:
    order = list(BUDGETS).index(name)
    needs = tuple(Need("node", kind, lambda p, o: True, f"a {kind}") for kind in kinds)
    values = {"title": name, "witness": f"{name} is seen", "judge": lambda p, e: (), "summary": lambda p, e: "", **more}
    return Stage(name=name, order=order, needs=lambda p: needs, actions=actions, **values)  # type: ignore[arg-type]


ONE, TWO, THREE = stage("one", ("a.seen",)), stage("two", ("b.seen",)), stage("three", ("c.seen",))


def run(
    stages: list[Stage], *seen: Observation, checks: tuple[Check, ...] = (), until: str | None = None
) -> RunMachine:
    return rehearse(RunMachine(plan(until), stages, checks), seen).machine


def outcomes(machine: RunMachine) -> list[tuple[str, float | None]]:
    return [(s.outcome, s.took_s) for s in machine.results()]


def test_a_stage_takes_from_the_close_of_the_one_before() -> None:
    machine = run([ONE, TWO], saw("node", "a.seen", 3.0), saw("node", "b.seen", 4.5))
    assert outcomes(machine) == [("PASS", 3.0), ("PASS", 1.5)]
    assert [s.evidence for s in machine.results()] == [(0,), (1,)]


def test_reached_at_the_latest_of_its_needs() -> None:
    both = stage("one", ("a.seen", "b.seen"))
    assert outcomes(run([both], saw("node", "b.seen", 5.0), saw("node", "a.seen", 2.0))) == [("PASS", 5.0)]


def test_looks_back_over_what_came_before() -> None:
    machine = run([ONE, TWO], saw("node", "b.seen", 1.0), saw("node", "a.seen", 3.0))
    assert outcomes(machine) == [("PASS", 3.0), ("PASS", 0.0)]


def test_no_observation_is_used_twice() -> None:
    again = stage("two", ("a.seen",))
    assert outcomes(run([ONE, again], saw("node", "a.seen", 1.0))) == [("PASS", 1.0), ("FAIL", None)]
    assert outcomes(run([ONE, again], saw("node", "a.seen", 1.0), saw("node", "a.seen", 2.0))) == [
        ("PASS", 1.0),
        ("PASS", 1.0),
    ]
    twice = stage("one", ("a.seen", "a.seen"))
    assert outcomes(run([twice], saw("node", "a.seen", 1.0))) == [("FAIL", None)]


def test_what_happened_in_time_counts_though_it_is_delivered_late() -> None:
    machine = RunMachine(plan(), [ONE], [])
    machine.start(0)
    machine.on_observation(saw("node", "a.seen", 10.0), to_ns(10 + SETTLE_S) - 1)
    assert machine.progress[0].state == "reached"
    assert machine.progress[0].took_s == 10.0


def test_what_happened_too_late_does_not_count_though_we_still_listen() -> None:
    result = run([ONE], saw("node", "a.seen", 10.001)).results()[0]
    assert result.outcome == "FAIL"
    assert "too late" in result.findings[0].seen


def test_a_miss_is_certain_only_after_budget_and_settle() -> None:
    machine = RunMachine(plan(), [ONE], [])
    machine.start(to_ns(5))
    assert machine.deadline_ns == to_ns(5 + 10 + SETTLE_S)
    machine.on_tick(machine.deadline_ns - 1)
    assert machine.progress[0].state == "running"
    machine.on_tick(machine.deadline_ns)
    assert machine.progress[0].state == "missed"


def test_what_arrives_after_that_is_too_late_even_without_a_tick() -> None:
    machine = RunMachine(plan(), [ONE], [])
    machine.start(0)
    machine.on_observation(saw("node", "a.seen", 1.0), to_ns(10 + SETTLE_S))
    assert machine.progress[0].state == "missed"


def test_a_missed_stage_fails_and_blocks_the_later_ones() -> None:
    machine = run([ONE, TWO, THREE], saw("node", "a.seen", 1.0), saw("node", "c.seen", 2.0))
    assert outcomes(machine) == [("PASS", 1.0), ("FAIL", None), ("INCONCLUSIVE", None)]
    assert machine.results()[2].summary == "blocked by two"


def test_a_miss_is_explained_by_the_hints() -> None:
    refused = stage("one", ("a.seen",), hints=(Hint("node", "a.refused", ("cause",)),))
    finding = run([refused], *[saw("node", "a.refused", t, cause=27) for t in (1.0, 2.0)]).results()[0].findings[0]
    assert finding.seen == "node a.refused cause=27 (2 times)"
    assert finding.expected == "within 10 s: a a.seen"
    assert finding.evidence == (0, 1)


def test_a_miss_without_hints_tells_the_last_of_the_router() -> None:
    finding = run([ONE], saw("router/modem", "at.command", 1.0, line="AT+CFUN=1")).results()[0].findings[0]
    assert finding.seen.endswith("at.command line=AT+CFUN=1")
    assert finding.evidence == (0,)
    assert run([ONE]).results()[0].findings[0].seen.startswith("nothing")


def asking(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    first = Ask("client1", "ping", {}, "first")
    return (first, Ask("client1", "fetch_url", {}, "second")) if evidence.find_answer("first") else (first,)


def test_each_action_is_done_once_and_a_later_ask_follows_its_answer() -> None:
    machine = RunMachine(plan(), [stage("one", ("a.seen",), actions=asking, answers_within_s=20.0)], [])
    assert [a.label for a in machine.start(0) if isinstance(a, Ask)] == ["first"]
    assert machine.on_observation(saw("node", "b.seen", 1.0), to_ns(1)) == ()
    answer = answered("client1", "first", 2.0, {})
    assert [a.label for a in machine.on_observation(answer, to_ns(2)) if isinstance(a, Ask)] == ["second"]


def test_a_reached_stage_waits_for_its_answers_but_they_are_not_its_time() -> None:
    measured = stage("one", ("a.seen",), actions=asking, answers_within_s=20.0)
    seen = [answered("client1", "first", 2.0, {}), saw("node", "a.seen", 3.0), answered("client1", "second", 9.0, {})]
    machine = run([measured, TWO], *seen, saw("node", "b.seen", 9.5))
    assert outcomes(machine) == [("PASS", 3.0), ("PASS", 0.5)]


def test_a_reached_stage_does_not_wait_for_ever() -> None:
    measured = stage("one", ("a.seen",), actions=asking, answers_within_s=20.0)
    machine = RunMachine(plan(), [measured], [])
    machine.start(0)
    machine.on_observation(saw("node", "a.seen", 3.0), to_ns(3))
    assert machine.deadline_ns == to_ns(3 + 20 + SETTLE_S)
    machine.on_tick(to_ns(3 + 20 + SETTLE_S))
    assert machine.done and machine.results()[0].outcome == "PASS"


@pytest.mark.parametrize(
    ("error", "outcome"),
    [
        ("TimeoutError: timed out", "FAIL"),
        ("LeaseError: lan1: no DHCP lease within 20 s", "FAIL"),
        ("LeaseError: lan1: udhcpc ended with code 1", "INCONCLUSIVE"),
        ("OSError: no such device", "INCONCLUSIVE"),
    ],
)
def test_a_silent_subject_fails_and_a_broken_probe_proves_nothing(error: str, outcome: str) -> None:
    probed = stage("one", ("a.seen",), actions=asking)
    machine = run([probed, TWO], answered("client1", "first", 2.0, None, error))
    assert [s.outcome for s in machine.results()] == [outcome, "INCONCLUSIVE"]
    assert machine.results()[1].summary == "blocked by one"


def check(name: str = "claim", after: str = "one", **more: object) -> Check:
    values = {
        "title": name,
        "why_not": lambda p: None,
        "judge": lambda p, e: (hold(name, bool(e.find_answer("asked").ok), "c", "e", "s"),),  # type: ignore[union-attr]
        "timeout_s": 5.0,
        "actions": lambda p, e: (Ask("client1", "ping", {}, "asked"),),
        **more,
    }
    return Check(name=name, order=1, after=after, **values)  # type: ignore[arg-type]


A = saw("node", "a.seen", 1.0)


def test_a_check_is_judged_by_its_answer() -> None:
    machine = run([ONE], A, answered("client1", "asked", 2.0, {}), checks=(check(),))
    assert [f.outcome for f in machine.findings()] == ["PASS"]
    assert combine(plan(), machine, {"pace": "fast"}).proven


def test_a_check_without_an_answer_in_time_is_inconclusive() -> None:
    machine = run([ONE], A, checks=(check(),))
    assert [f.outcome for f in machine.findings()] == ["INCONCLUSIVE"]
    assert not combine(plan(), machine, {}).proven


def test_checks_that_do_not_disturb_begin_together() -> None:
    other = check("other", actions=lambda p, e: (Ask("client1", "ping", {}, "too"),), judge=lambda p, e: ())
    machine = RunMachine(plan(), [ONE], [check(), other])
    machine.start(0)
    assert [a.label for a in machine.on_observation(A, to_ns(1)) if isinstance(a, Ask)] == ["asked", "too"]


def test_an_ask_that_two_checks_share_is_sent_once_and_both_wait_for_it() -> None:
    machine = RunMachine(plan(), [ONE], [check("first"), check("second")])
    machine.start(0)
    assert [a.label for a in machine.on_observation(A, to_ns(1)) if isinstance(a, Ask)] == ["asked"]
    machine.on_observation(answered("client1", "asked", 2.0, {}), to_ns(2))
    machine.on_tick(to_ns(2 + SETTLE_S))
    assert [f.outcome for f in machine.findings()] == ["PASS", "PASS"]


def test_a_check_left_out_on_request_says_so() -> None:
    for left_out in (replace(plan(), skip=("first",)), replace(plan(), only=("other",))):
        machine = RunMachine(left_out, [ONE], [check("first")])
        machine.start(0)
        assert machine.on_observation(A, to_ns(1)) == ()
        machine.on_tick(to_ns(1 + SETTLE_S))
        assert [(f.outcome, f.seen) for f in machine.findings()] == [("NOT_APPLICABLE", "left out on request")]


def test_checks_that_disturb_come_last_and_one_at_a_time() -> None:
    other = check("other", actions=lambda p, e: (Ask("client1", "ping", {}, "later"),), judge=lambda p, e: ())
    machine = RunMachine(plan(), [ONE], [replace(other, disturbs=True), check()])
    machine.start(0)
    assert [a.label for a in machine.on_observation(A, to_ns(1)) if isinstance(a, Ask)] == ["asked"]
    answer = answered("client1", "asked", 2.0, {})
    assert [a.label for a in machine.on_observation(answer, to_ns(2)) if isinstance(a, Ask)] == ["later"]


def test_a_check_that_does_not_apply_says_why_and_asks_nothing() -> None:
    machine = RunMachine(plan(), [ONE], [check(why_not=lambda p: "not set")])
    machine.start(0)
    assert machine.on_observation(A, to_ns(1)) == ()
    machine.on_tick(to_ns(1 + SETTLE_S))
    assert [(f.outcome, f.seen) for f in machine.findings()] == [("NOT_APPLICABLE", "not set")]
    assert combine(plan(), machine, {}).proven


def test_a_check_after_a_missed_stage_is_blocked_and_others_are_not() -> None:
    judged = check("first", after="one")
    machine = run([ONE, TWO], A, answered("client1", "asked", 14.0, {}), checks=(judged, check("second", after="two")))
    assert [f.outcome for f in machine.findings()] == ["PASS", "INCONCLUSIVE"]
    assert machine.findings()[1].seen == "blocked by two"


def test_a_check_may_wait_for_something_seen() -> None:
    def find(plan: Plan, evidence: Evidence) -> object:
        return evidence.find_first("hq-endpoint", "log.received")

    waits = check(
        awaits=find, actions=do_nothing, judge=lambda p, e: (hold("claim", find(p, e) is not None, "c", "e", "s"),)
    )
    log = saw("hq-endpoint", "log.received", 4.0)
    assert run([ONE], A, log, checks=(waits,)).findings()[0].outcome == "PASS"
    assert run([ONE], log, A, checks=(waits,)).findings()[0].outcome == "PASS"
    assert run([ONE], A, checks=(waits,)).findings()[0].outcome == "FAIL"


def test_until_cuts_stages_and_the_checks_behind_them() -> None:
    machine = run([ONE, TWO], A, checks=(check(after="two"),), until="one")
    assert [s.stage for s in machine.results()] == ["one"]
    assert machine.findings() == ()
    assert combine(plan("one"), machine, {}).facts["until"] == "one"
    with pytest.raises(ValueError, match="expected one of one, two"):
        RunMachine(plan("never"), [ONE, TWO], [])


def test_what_a_reached_stage_asserts_can_fail_it_without_blocking() -> None:
    wrong = replace(ONE, judge=lambda p, e: (hold("one.x", False, "c", "e", "s", e.find_all("node", "a.seen")),))
    machine = run([wrong, TWO], A, saw("node", "b.seen", 2.0))
    assert outcomes(machine) == [("FAIL", 1.0), ("PASS", 1.0)]


def test_what_is_undone_later_is_seen_in_the_final_result() -> None:
    kept = replace(ONE, judge=lambda p, e: (hold("one.kept", not e.find_all("node", "a.lost"), "c", "e", "s"),))
    machine = RunMachine(plan(), [kept, TWO], [])
    machine.start(0)
    machine.on_observation(A, to_ns(1))
    machine.on_tick(to_ns(1 + SETTLE_S))
    assert machine.is_settled("one") and machine.results()[0].outcome == "PASS"
    machine.on_observation(saw("node", "a.lost", 4.0), to_ns(4))
    machine.on_observation(saw("node", "b.seen", 5.0), to_ns(5))
    machine.on_tick(to_ns(5 + SETTLE_S))
    assert machine.done and machine.results()[0].outcome == "FAIL"


def test_before_the_end_results_say_so_and_nothing_is_proven() -> None:
    machine = RunMachine(plan(), [ONE, TWO], [check(after="two")])
    machine.start(0)
    assert machine.running is not None and machine.running.name == "one"
    assert [s.outcome for s in machine.results()] == ["INCONCLUSIVE", "INCONCLUSIVE"]
    assert [f.outcome for f in machine.findings()] == ["INCONCLUSIVE"]
    assert not machine.is_settled("one")
    assert not combine(plan(), machine, {}).proven


def test_the_first_action_is_power() -> None:
    from harness.core.registry import load_checks, load_stages

    assert RunMachine(build_plan(), load_stages(), load_checks()).start(0) == (PowerOn(),)


def test_worst_outcome() -> None:
    assert find_worst(["PASS", "NOT_APPLICABLE", "INCONCLUSIVE", "FAIL"]) == "FAIL"
    assert find_worst(["PASS", "INCONCLUSIVE"]) == "INCONCLUSIVE"
    assert find_worst(["NOT_APPLICABLE", "PASS"]) == "PASS"
    assert find_worst([]) == "NOT_APPLICABLE"


def test_judges_read_evidence_in_the_order_in_which_it_happened() -> None:
    """Between sources the order of arrival is chance: here what happened first is delivered last."""
    order: list[str] = []

    def note(plan: Plan, evidence: Evidence) -> tuple[()]:
        order[:] = [s.observation.kind for s in evidence]
        return ()

    seen = [saw("other", "first.seen", 1.0), saw("node", "a.seen", 2.0)]
    delays = [to_ns(SETTLE_S * 0.75), 0]
    rehearse(RunMachine(plan(), [replace(ONE, judge=note)], []), seen, lambda index: delays[index])
    assert order == ["first.seen", "a.seen"]


def test_what_happens_after_the_last_close_is_not_judged() -> None:
    """It would be known or not by chance: by whether it arrived before the machine stopped listening."""
    kept = replace(ONE, judge=lambda p, e: (hold("one.kept", not e.find_all("node", "a.lost"), "c", "e", "s"),))
    assert run([kept], A, saw("node", "a.lost", 1.5)).results()[0].outcome == "PASS"
