"""A run's folder told: killed runs, odd folders, and a verdict.json that says another thing."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from emulators.common.record import to_json
from harness.core.replay import replay
from harness.core.verdict import combine
from harness.errors import InputError
from harness.telling import tell_run
from tests.unit.told_runs import load, tell, tell_recorded, write_folder

NAME = "brought_up-harbour-office"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    run = load(NAME)
    return write_folder(tmp_path / "run-1", run.plan, run.tape)


def write_verdict(folder: Path, **facts: Any) -> dict[str, Any]:
    run = load(NAME)
    verdict: dict[str, Any] = to_json(combine(run.plan, replay(run.plan, run.tape), facts))
    (folder / "verdict.json").write_text(json.dumps(verdict))
    return verdict


def test_a_killed_run_is_told_with_a_note(folder: Path) -> None:
    story = tell_run(folder)
    assert (story.run, story.stages, story.decision) == ("run-1", tell_recorded(NAME).stages, "undecided")
    assert any("verdict.json: not there" in note for note in story.notes) and story.facts["left_out"]


def test_a_tape_that_was_cut_is_told_as_far_as_it_goes(folder: Path) -> None:
    tape = (folder / "tape.jsonl").read_bytes()
    (folder / "tape.jsonl").write_bytes(tape[: len(tape) // 2])
    story = tell_run(folder)
    assert not story.proven and story.decision == "undecided" and not story.is_diagnosed
    assert any("last line is cut" in note for note in story.notes)


def test_the_folders_facts_logs_and_captures_are_in_it(folder: Path) -> None:
    write_verdict(folder, kernel="6.1", clock={"offset_ns": 2_000_000})
    (folder / "nodes").mkdir()
    at_s = load(NAME).tape[0].now_ns / 1e9 + 1
    (folder / "nodes" / "carrier.log").write_text(f"{at_s:.6f} a word\n")
    (folder / "captures").mkdir()
    (folder / "captures" / "carrier-inet.pcap").write_bytes(b"none")
    story = tell_run(folder)
    assert story.facts["kernel"] == "6.1" and not [n for n in story.notes if "verdict.json" in n]
    assert [e.pointer for e in story.events if e.text == "a word"] == ["nodes/carrier.log:1"]
    assert any(n.startswith("captures/carrier-inet.pcap: expected a pcap") for n in story.notes)
    assert any("less 2 ms" in n for n in story.notes)


def test_the_replay_is_told_where_the_verdict_says_another_thing(folder: Path) -> None:
    verdict = write_verdict(folder)
    verdict["stages"][2]["outcome"] = "FAIL"
    verdict["proven"] = False
    (folder / "verdict.json").write_text(json.dumps(verdict))
    story = tell_run(folder)
    assert story.proven and all(s.outcome == "PASS" for s in story.stages)
    told = next(n for n in story.notes if n.startswith("verdict.json: "))
    assert "2 outcomes are others" in told and "proven" in told and verdict["stages"][2]["stage"] in told


@pytest.mark.parametrize("text", ["", "{", "[]", '{"facts":[1],"stages":{},"checks":[3]}', '{"facts":{"clock":"x"}}'])
def test_a_verdict_of_any_shape_hides_nothing(folder: Path, text: str) -> None:
    (folder / "verdict.json").write_text(text)
    assert tell_run(folder).stages == tell_recorded(NAME).stages


@pytest.mark.parametrize("text", ["", "{", "[]"])
def test_faults_that_cannot_be_read_are_faults_all_the_same(folder: Path, text: str) -> None:
    (folder / "faults.json").write_text(text)
    story = tell_run(folder)
    assert story.decision == "undecided" and story.faults[0]["name"] == "unknown"
    assert any("faults.json" in note for note in story.notes)


def test_faults_are_read_and_the_rule_base_is_asked(folder: Path) -> None:
    (folder / "faults.json").write_text(json.dumps({"faults": ["weak_signal"], "outcome": "PASS"}))
    story = tell_run(folder)
    assert story.proven and story.is_diagnosed and story.faults[0]["title"]


def _is_refused(folder: Path, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        tell_run(folder)
    assert str(folder) in str(caught.value)


def test_what_is_no_run_is_refused(tmp_path: Path, folder: Path) -> None:
    _is_refused(tmp_path / "nonesuch", "no such folder")
    _is_refused(tmp_path, r"tape")
    (folder / "plan.json").unlink()
    _is_refused(folder, r"plan\.json.*expected the plan")


@pytest.mark.parametrize("plan", ["{", '{"format":1}', "[]"])
def test_a_plan_of_another_version_is_refused(folder: Path, plan: str) -> None:
    (folder / "plan.json").write_text(plan)
    _is_refused(folder, r"plan\.json")


def test_a_tape_that_does_not_begin_is_refused(folder: Path) -> None:
    lines = (folder / "tape.jsonl").read_text().splitlines(keepends=True)
    (folder / "tape.jsonl").write_text("".join(lines[1:]))
    _is_refused(folder, "begins with a start")
    (folder / "tape.jsonl").write_text("")
    _is_refused(folder, "begins with a start")


def test_a_plan_that_ends_nowhere_is_refused(tmp_path: Path) -> None:
    run = load(NAME)
    _is_refused(write_folder(tmp_path / "a", replace(run.plan, until="nonesuch"), run.tape), "nonesuch")
    budgets = {**run.plan.branch.acceptance.budgets_s}
    budgets.pop("online")
    acceptance = replace(run.plan.branch.acceptance, budgets_s=budgets)
    plan = replace(run.plan, branch=replace(run.plan.branch, acceptance=acceptance))
    _is_refused(write_folder(tmp_path / "b", plan, run.tape), "online")


def test_a_folder_is_told_as_its_plan_and_tape_are(folder: Path) -> None:
    run = load(NAME)
    told, made = tell_run(folder), tell(run.plan, run.tape)
    assert replace(told, run="", notes=()) == replace(made, run="", notes=())
