"""The rule base on recorded drills (tests/corpus): each fault is named first, a run without a fault names none, and
nothing that a diagnosis should not know makes a difference. No engine needed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any
from zlib import crc32

import pytest

from harness.core.entries import Evidence, Seen
from harness.core.faults import Applied, is_of_bench
from harness.core.registry import load_faults
from harness.core.replay import replay
from harness.diagnosis.case import build_case, forget_records
from harness.diagnosis.diagnose import Diagnosis, diagnose
from harness.reports.diagnosis import Explained, render_diagnosis
from harness.reports.text import WIDTH
from harness.trial.choose import find_reason, is_kept_back, parse_applied
from tests.corpus.recorded import FOLDER, Recorded, list_files, load_corpus, load_recorded

FILES = list_files()
LARGEST_MB = 4.0
DEMO = ("pier-kiosk", "harbour-office")
MISSING = object()
ODD: tuple[Any, ...] = (None, "", "word", -1, 10**30, float("inf"), True, [], ["x", None], {}, {"x": 1}, MISSING)


def list_right(run: Recorded) -> tuple[str, ...]:
    """Return the causes that are right for a run, by the catalogue as it is today."""
    applied = [parse_applied(text, load_faults(), run.name) for text in run.faults]
    return tuple(c for one in applied for c in one.fault.expects(run.plan, one.values).causes)


def list_names(diagnosis: Diagnosis) -> list[str]:
    return [n.cause.name for n in diagnosis.named]


def list_scores(diagnosis: Diagnosis) -> list[tuple[str, float]]:
    return [(n.cause.name, n.score) for n in diagnosis.named]


@pytest.mark.parametrize("file", FILES, ids=[f.name.partition(".")[0] for f in FILES])
def test_the_cause_is_named_first(file: Path) -> None:
    run = load_recorded(file)
    right, named = list_right(run), list_names(run.diagnose())
    assert named[:1] == [] if not right else named[0] in right, f"right: {right}, named: {named}"


@pytest.mark.parametrize("file", FILES, ids=[f.name.partition(".")[0] for f in FILES])
def test_what_the_bench_did_makes_no_difference(file: Path) -> None:
    run = load_recorded(file)
    stripped = [e for e in run.tape if e.observation is None or not is_of_bench(e.observation)]
    blind = diagnose(build_case(replay(run.plan, stripped)))
    assert list_scores(blind) == list_scores(run.diagnose())


@pytest.mark.parametrize("file", FILES, ids=[f.name.partition(".")[0] for f in FILES])
def test_what_others_have_on_record_makes_no_difference(file: Path) -> None:
    """Where the stages come out the same without (some are judged by the records), so does the diagnosis."""
    run = load_recorded(file)
    with_them, without = (build_case(replay(p, run.tape)) for p in (run.plan, forget_records(run.plan)))
    outcomes = [[(r.stage, r.outcome) for r in case.results] for case in (with_them, without)]
    if outcomes[0] == outcomes[1]:
        assert list_scores(diagnose(with_them)) == list_scores(diagnose(without))


@pytest.mark.parametrize("file", FILES, ids=[f.name.partition(".")[0] for f in FILES])
def test_it_is_told_within_80_columns(file: Path) -> None:
    run = load_recorded(file)
    machine = replay(run.plan, run.tape)
    case = build_case(machine)
    text = render_diagnosis(Explained(run.name, machine, case, diagnose(case)))
    assert max(map(len, text.splitlines())) <= WIDTH


@pytest.mark.parametrize("file", FILES, ids=[f.name.partition(".")[0] for f in FILES])
def test_no_row_breaks_on_odd_values(file: Path) -> None:
    """A tape may come from anywhere: a field may hold anything, or be missing."""
    run = load_recorded(file)
    case = build_case(replay(run.plan, run.tape))
    for turn, odd in enumerate(ODD):
        parts = [Evidence(spoil(s, odd, turn) for s in part) for part in (case.evidence, case.later)]
        diagnose(replace(case, evidence=parts[0], later=parts[1]))


def spoil(seen: Seen, odd: Any, turn: int) -> Seen:
    """Return an observation with half of its fields made odd, another half each turn; one turn without them."""
    chosen = [name for name in seen.data if (crc32(name.encode()) >> turn) % 2]
    data = {name: odd if name in chosen else value for name, value in seen.data.items()}
    data = {name: value for name, value in data.items() if odd is not MISSING or name not in chosen}
    return Seen(seen.index, replace(seen.observation, data=data))


def test_the_corpus_covers_the_catalogue() -> None:
    """Each fault is there with its usual values: on both demo branches where it can befall them, else on any; and for
    each demo branch a run without a fault."""
    runs = list(load_corpus())
    plans = {run.plan.branch.profile: run.plan for run in runs if run.plan.branch.profile in DEMO}
    there = {(run.plan.branch.profile, run.faults) for run in runs}
    faults = [Applied(f, f.usual()) for f in load_faults()]
    wanted = {(name, (a.text,)) for name, plan in plans.items() for a in faults if find_reason(plan, a) is None}
    assert (wanted | {(name, ()) for name in DEMO}) - there == set()
    assert {a.text for a in faults} - {text for _, texts in there for text in texts} == set()


def test_no_run_of_the_corpus_has_values_that_are_kept_back() -> None:
    applied = [parse_applied(text, load_faults(), r.name) for r in load_corpus() for text in r.faults]
    assert [a.text for a in applied if a.values != a.fault.usual() and is_kept_back(a)] == []


def test_the_corpus_is_small() -> None:
    assert sum(f.stat().st_size for f in FOLDER.rglob("*.gz")) / 1e6 < LARGEST_MB


def test_a_recorded_run_is_the_run_again(tmp_path: Path) -> None:
    from harness.core.machine import RunMachine
    from harness.core.model import TapeEntry
    from harness.core.registry import load_stages
    from harness.core.rehearse import list_nominal, rehearse
    from harness.core.sample import build_plan
    from tests.corpus.recorded import START_US, pack, render_plan, render_recorded

    plan = build_plan()
    tape = rehearse(RunMachine(plan, load_stages(), []), list_nominal()).tape
    entries = [TapeEntry(e.kind, e.now_ns, e.observation) for e in tape]
    text, digest = render_plan(plan)
    for name, content in (
        (f"plans/{digest}.json.gz", text),
        ("runs/x.jsonl.gz", render_recorded(["f"], digest, entries)),
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(pack(content))
    read = load_recorded(tmp_path / "runs" / "x.jsonl.gz")
    assert (read.name, read.faults, read.plan) == ("x", ("f",), plan)
    moved_ns = START_US * 1000
    for before, after in zip(entries, read.tape, strict=True):
        assert (before.kind, before.now_ns + moved_ns) == (after.kind, after.now_ns)
        if before.observation is None or after.observation is None:
            assert before.observation is after.observation
            continue
        times = {"at_ns": before.observation.at_ns + moved_ns, "received_ns": after.now_ns}
        assert replace(before.observation, **times) == after.observation
