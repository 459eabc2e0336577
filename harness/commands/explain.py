"""`branchproof explain`: why a run stopped, from its folder alone. Layer: front end."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from harness.core.model import Plan, TapeEntry
from harness.core.registry import load_stages
from harness.core.replay import replay
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import MOST, diagnose, load_causes
from harness.errors import EXIT_PROVEN, InputError, Problem
from harness.reports.diagnosis import Explained, render_diagnosis
from harness.run_folder import load_logs, load_run

ORDER = 15
EXITS = "exit: 0 explained, 2 no folder of a run, 4 our bug"


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    explain = commands.add_parser("explain", help="tell why a run stopped, from its folder alone", epilog=EXITS)
    explain.add_argument("run_folder", type=Path, metavar="RUN", help="run folder (plan.json and tape.jsonl)")
    explain.add_argument("--all", action="store_true", help="every cause that fits, and all that it rests on")
    explain.set_defaults(run=_run_explain)


def _run_explain(args: argparse.Namespace, console: Console) -> int:
    explained = load_explained(args.run_folder, len(load_causes()) if args.all else MOST)
    console.print(render_diagnosis(explained, show_all=args.all), soft_wrap=True, markup=False)
    return EXIT_PROVEN


def load_explained(path: Path, most: int = MOST) -> Explained:
    """Read a run's folder, replay it and put it to the rule base. Raises: InputError naming the file."""
    for name in ("plan.json", "tape.jsonl"):
        if not (path / name).is_file():
            raise _refuse(path / name, "expected a run's folder, saw no such file")
    saved = load_run(path)
    _check_whole(path, saved.plan, saved.tape)
    machine = replay(saved.plan, saved.tape)
    case = build_case(machine, load_logs(path))
    branch = saved.plan.branch
    name = f"{path.resolve().name}  ({branch.profile} / {branch.site}, pace {saved.plan.pace})"
    return Explained(name, machine, case, diagnose(case, most=most))


def _check_whole(path: Path, plan: Plan, tape: Sequence[TapeEntry]) -> None:
    """Raises: InputError where plan and tape cannot be replayed."""
    names = [s.name for s in load_stages()]
    missing = [name for name in names if name not in plan.branch.acceptance.budgets_s]
    if missing:
        raise _refuse(path / "plan.json", f"expected a budget for each stage, saw none for {', '.join(missing)}")
    odd = [name for name in (plan.since, plan.until) if name is not None and name not in names]
    if odd or (plan.since and plan.until and names.index(plan.since) > names.index(plan.until)):
        text = f"expected stages from since to until among {', '.join(names)}, saw {plan.since} to {plan.until}"
        raise _refuse(path / "plan.json", text)
    if not plan.branch.uplinks:
        raise _refuse(path / "plan.json", "expected a branch with an uplink, saw none")
    starts = [place for place, entry in enumerate(tape) if entry.kind == "start"]
    if not starts or (plan.since is None and starts[0] != 0):
        raise _refuse(path / "tape.jsonl", "expected a tape that begins with a start")
    empty = next((n for n, e in enumerate(tape, 1) if e.kind == "observation" and e.observation is None), None)
    if empty is not None:
        raise _refuse(path / "tape.jsonl", "expected an observation in an entry of that kind, saw none", empty)


def _refuse(file: Path, message: str, line: int = 0) -> InputError:
    return InputError((Problem(str(file), line, 1 if line else 0, "", message),))
