"""`branchproof clauses`: evidence by clause. Layer: front end."""

from __future__ import annotations

import argparse
from pathlib import Path

from rich.console import Console

from harness.core.registry import load_checks
from harness.errors import EXIT_PROVEN
from harness.reports.clauses import Run, render_clauses
from harness.run_folder import load_verdict

ORDER = 60


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    clauses = commands.add_parser("clauses", help="list the evidence of runs by clause of PCI DSS, HIPAA, NIST")
    clauses.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="run folder")
    clauses.set_defaults(run=_run_clauses)


def _run_clauses(args: argparse.Namespace, console: Console) -> int:
    runs = []
    for folder in args.runs:
        plan, verdict = load_verdict(folder)
        name = f"{plan.branch.profile} / {plan.branch.site} ({folder.resolve().name})"
        bearing = {c.name: tuple(one for one in c.clauses if c.bears_on(plan, one)) for c in load_checks()}
        runs.append(Run(name, verdict, bearing))
    console.print(render_clauses(runs), soft_wrap=True, markup=False)
    return EXIT_PROVEN
