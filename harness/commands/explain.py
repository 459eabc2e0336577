"""`branchproof explain`: why a run stopped, from its folder alone. Layer: front end."""

from __future__ import annotations

import argparse
from pathlib import Path

from rich.console import Console

from harness.core.replay import replay
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import MOST, diagnose, load_causes
from harness.errors import EXIT_PROVEN, InputError, Problem
from harness.reports.diagnosis import Explained, render_diagnosis
from harness.run_folder import load_logs, load_run
from harness.telling import check_whole

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
    check_whole(path, saved.plan, saved.tape)
    machine = replay(saved.plan, saved.tape)
    case = build_case(machine, load_logs(path))
    branch = saved.plan.branch
    name = f"{path.resolve().name}  ({branch.profile} / {branch.site}, pace {saved.plan.pace})"
    return Explained(name, machine, case, diagnose(case, most=most))


def _refuse(file: Path, message: str) -> InputError:
    return InputError((Problem(str(file), 0, 0, "", message),))
