"""`branchproof mutate`: the proof of the proof. Layer: front end."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from rich.console import Console

from harness.app import Options
from harness.commands.shared import EXITS
from harness.core.registry import load_checks
from harness.errors import EXIT_NOT_PROVEN, EXIT_PROVEN
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets
from harness.progress import Progress
from harness.reports.mutation import render_mutation

ORDER = 20


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    mutate = commands.add_parser(
        "mutate", help="weaken what the device is told, bit by bit: does some check notice?", epilog=EXITS
    )
    mutate.add_argument("profile", type=Path, metavar="PROFILE", help="profile (YAML)")
    mutate.add_argument("--site", metavar="NAME", help="site to use; default: the first")
    mutate.add_argument(
        "--out", type=Path, default=Path("runs"), metavar="DIR", help="where the run folder goes (runs)"
    )
    names = [c.name for c in load_checks()]
    mutate.add_argument(
        "--only", nargs="+", metavar="CHECK", choices=names, default=[], help="weakenings of these checks"
    )
    mutate.set_defaults(run=_run_mutate)


def _run_mutate(args: argparse.Namespace, console: Console) -> int:
    from harness.mutation import mutate  # noqa: PLC0415 - only this command needs it

    loaded = load_profile(args.profile)
    plan = compile_plan(loaded, args.site or next(iter(site_names(loaded))), "fast", None)
    secrets = resolve_secrets(plan)
    console.print(f"{plan.branch.profile} / {plan.branch.site}", style="bold", soft_wrap=True)
    with Progress(console, time.monotonic_ns) as progress:
        outcome = mutate(plan, secrets, Options(args.out), args.only, progress)
    console.print(render_mutation(outcome.rounds, outcome.left, loaded.find_line, str(args.profile)), soft_wrap=True)
    console.print(f"evidence in {outcome.folder}", soft_wrap=True)
    return EXIT_PROVEN if outcome.is_whole else EXIT_NOT_PROVEN
