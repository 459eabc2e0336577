"""A run's folder told as a story. Layer: files, above story.

The judge is the replay of plan and tape: of verdict.json only the facts are taken, and where its outcomes are others,
a note says so. A run that was killed is told as far as it came.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.core.machine import RunMachine
from harness.core.model import Plan, TapeEntry
from harness.core.registry import load_stages
from harness.core.replay import replay
from harness.core.verdict import combine
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import Diagnosis, diagnose
from harness.errors import InputError, Problem
from harness.run_folder import FAULTS
from harness.run_reading import PLAN, TAPE, UNKNOWN, VERDICT, ReadRun, read_faults, read_run
from harness.story.build import build_story, find_offset
from harness.story.model import Story
from harness.timeline.merge import build_timeline


def tell_run(path: Path) -> Story:
    """Read a run's folder, replay it and tell it. Raises: InputError naming the file."""
    run = read_run(path)
    if run.plan is None:
        raise _refuse(path / PLAN, "expected the plan of a run of this version of the bench, saw none")
    check_whole(path, run.plan, run.tape)
    try:
        machine = replay(run.plan, run.tape)
    except (ValueError, LookupError) as error:
        raise _refuse(path / TAPE, f"expected a tape that goes with its plan, saw: {error}") from error
    notes = list(run.notes)
    facts = run.verdict.get("facts")
    facts = facts if isinstance(facts, Mapping) else {}
    faults = read_faults(path)
    if faults is UNKNOWN:
        notes.append(f"{FAULTS}: cut, or not JSON: what was put upon the run is not known")
    logs = run.read_logs()
    captures, offset_ns = run.read_captures(), find_offset(facts)
    timeline = build_timeline(run.plan, run.tape, logs, captures, offset_ns, steps=machine.progress)
    notes += _compare(run, machine)
    return build_story(
        path.resolve().name,
        machine,
        timeline,
        ended_ns=max(e.now_ns for e in run.tape),
        facts=facts,
        diagnosis=_diagnose(machine, logs, bool(faults)),
        faults=faults,
        notes=notes,
    )


def _diagnose(machine: RunMachine, logs: Mapping[str, str], has_faults: bool) -> Diagnosis | None:
    if not machine.done or (combine(machine.plan, machine, {}).proven and not has_faults):
        return None
    return diagnose(build_case(machine, logs))


def _compare(run: ReadRun, machine: RunMachine) -> list[str]:
    """Return a note where verdict.json says another thing than the replay."""
    if not run.verdict:
        return []
    told = {(str(key), str(outcome)) for key, outcome in _list_outcomes(run.verdict)}
    drawn = {("proven", str(combine(machine.plan, machine, {}).proven))}
    drawn |= {(s.stage, s.outcome) for s in machine.results()}
    drawn |= {(f"{f.check}: {f.claim}", f.outcome) for f in machine.findings()}
    differing = sorted({key for key, _ in told ^ drawn})
    if not differing:
        return []
    text = f"{VERDICT}: {len(differing)} outcomes are others than what plan and tape come to, which are told here: "
    return [text + ", ".join(differing[:5]) + (", ..." if len(differing) > 5 else "")]


def _list_outcomes(verdict: Mapping[str, Any]) -> list[tuple[Any, Any]]:
    def read(name: str) -> list[Mapping[str, Any]]:
        listed = verdict.get(name)
        return [one for one in listed if isinstance(one, Mapping)] if isinstance(listed, list) else []

    stages = [(s.get("stage"), s.get("outcome")) for s in read("stages")]
    checks = [(f"{f.get('check')}: {f.get('claim')}", f.get("outcome")) for f in read("checks")]
    return [("proven", verdict.get("proven")), *stages, *checks]


def check_whole(path: Path, plan: Plan, tape: Sequence[TapeEntry]) -> None:
    """Raises: InputError where plan and tape of a run's folder cannot be replayed."""
    names = [s.name for s in load_stages()]
    missing = [name for name in names if name not in plan.branch.acceptance.budgets_s]
    if missing:
        raise _refuse(path / PLAN, f"expected a budget for each stage, saw none for {', '.join(missing)}")
    odd = [name for name in (plan.since, plan.until) if name is not None and name not in names]
    if odd or (plan.since and plan.until and names.index(plan.since) > names.index(plan.until)):
        text = f"expected stages from since to until among {', '.join(names)}, saw {plan.since} to {plan.until}"
        raise _refuse(path / PLAN, text)
    if not plan.branch.uplinks:
        raise _refuse(path / PLAN, "expected a branch with an uplink, saw none")
    starts = [place for place, entry in enumerate(tape) if entry.kind == "start"]
    if not starts or (plan.since is None and starts[0] != 0):
        raise _refuse(path / TAPE, "expected a tape that begins with a start")
    empty = next((n for n, e in enumerate(tape, 1) if e.kind == "observation" and e.observation is None), None)
    if empty is not None:
        raise _refuse(path / TAPE, "expected an observation in an entry of that kind, saw none", empty)


def _refuse(file: Path, message: str, line: int = 0) -> InputError:
    return InputError((Problem(str(file), line, 1 if line else 0, "", message),))
