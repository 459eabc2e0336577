"""The catalogues of stages and checks: every example comes out as it says; the house's rules for entries."""

from __future__ import annotations

import pytest

from harness.core.clauses import find_unknown
from harness.core.entries import Check, Example, Stage
from harness.core.machine import RunMachine
from harness.core.model import Ask
from harness.core.registry import load_check_examples, load_checks, load_stage_examples, load_stages
from harness.core.rehearse import list_nominal, rehearse, rehearse_example
from harness.core.sample import BUDGETS_S, build_plan

ENTRIES: list[tuple[Stage | Check, tuple[Example, ...]]] = [*load_stage_examples(), *load_check_examples()]
CASES = [(entry, example) for entry, examples in ENTRIES for example in examples]


@pytest.mark.parametrize(("entry", "example"), CASES, ids=[f"{e.name}: {x.title}" for e, x in CASES])
def test_examples_come_out_as_they_say(entry: Stage | Check, example: Example) -> None:
    assert rehearse_example(entry, example) == example.outcome


@pytest.mark.parametrize(("entry", "examples"), ENTRIES, ids=[e.name for e, _ in ENTRIES])
def test_every_entry_has_one_that_holds_first_and_one_that_does_not(
    entry: Stage | Check, examples: tuple[Example, ...]
) -> None:
    assert examples[0].outcome == "PASS"
    assert any(x.outcome == "FAIL" for x in examples)


def test_stages_stand_in_the_order_of_the_bring_up() -> None:
    assert [s.name for s in load_stages()] == list(BUDGETS_S)


def test_checks_follow_a_stage_that_exists() -> None:
    assert {c.after for c in load_checks()} <= {s.name for s in load_stages()}


def test_the_first_examples_together_make_a_proven_run() -> None:
    machine = rehearse(RunMachine(build_plan(), load_stages(), load_checks()), list_nominal()).machine
    assert {s.stage: (s.outcome, [f for f in s.findings if f.outcome != "PASS"]) for s in machine.results()} == {
        name: ("PASS", []) for name in BUDGETS_S
    }
    assert {f.check: f.outcome for f in machine.findings()} == {c.name: "PASS" for c in load_checks()}
    assert all(f.outcome == "PASS" for f in machine.findings())


def test_only_powered_rests_on_the_routers_own_word() -> None:
    plan = build_plan()
    ethernet = build_plan(uplinks=("ethernet",))
    for stage in load_stages():
        sources = {n.source for p in (plan, ethernet) for n in stage.needs(p)}
        assert ("router" in sources) == (stage.name == "powered"), stage.name


def test_a_checks_findings_carry_its_name() -> None:
    """Reports and the pytest plugin find a check's findings by it."""
    for check, examples in load_check_examples():
        reached = Stage(check.after, 0, "", "", lambda p: (), lambda p, e: (), lambda p, e: "")
        for example in examples:
            run = rehearse(RunMachine(example.plan or build_plan(), [reached], [check]), example.observations)
            assert {f.check for f in run.machine.findings()} == {check.name}


def test_a_failed_finding_points_at_evidence_or_says_that_there_is_none() -> None:
    for entry, example in CASES:
        if not isinstance(entry, Stage):
            continue
        machine = rehearse(RunMachine(example.plan or build_plan(), [entry], []), example.observations).machine
        for finding in machine.results()[0].findings:
            if finding.outcome == "FAIL":
                assert finding.evidence or finding.seen.startswith("nothing"), (entry.name, example.title, finding)
            assert all(0 <= i < len(machine.evidence) for i in finding.evidence)


def test_labels_of_asks_are_unique_over_a_run() -> None:
    run = rehearse(RunMachine(build_plan(), load_stages(), load_checks()), list_nominal())
    labels = [a.label for a in run.actions if isinstance(a, Ask)]
    assert len(labels) == len(set(labels))


def test_secrets_in_asks_are_references() -> None:
    run = rehearse(RunMachine(build_plan(), load_stages(), load_checks()), list_nominal())
    keys = ("auth_key", "priv_key", "key_pem", "password")
    found = [a.args[k] for a in run.actions if isinstance(a, Ask) for k in keys if k in a.args]
    assert found and all(set(v) == {"$secret"} for v in found)


def test_every_clause_of_a_check_is_known_and_stands_once() -> None:
    for check in load_checks():
        assert find_unknown(check.clauses) == (), check.name
        assert len(set(check.clauses)) == len(check.clauses), check.name
