"""`branchproof drill`: a suite of faults, tried one by one. Layer: front end."""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console

from harness.commands.shared import EXITS
from harness.core.registry import load_faults
from harness.errors import EXIT_NOT_PROVEN, EXIT_PROVEN, InputError, Problem
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets
from harness.progress import Progress
from harness.reports.drill import HEAD, drill_line, list_rows, render_drill
from harness.trial.choose import find_reason, list_suite

ORDER = 30
JOBS = 4 * (os.cpu_count() or 2)
"""Labs at a time: a trial mostly waits. With ten at a time on two cores no trial came out otherwise than with one."""
STANDING_LABS = 3
"""Labs in service that faults of service share: our choice; each costs one bring-up more, and saves waiting."""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    drill = commands.add_parser("drill", help="put field faults upon the branch, one by one", epilog=EXITS)
    drill.add_argument("profile", type=Path, metavar="PROFILE", help="profile (YAML)")
    drill.add_argument("--site", metavar="NAME", help="site to use; default: the first")
    drill.add_argument(
        "--suite", nargs="+", default=["common"], metavar="NAME", help="`common`, `all`, or faults by name (common)"
    )
    drill.add_argument("--jobs", type=int, default=JOBS, metavar="N", help=f"labs at a time ({JOBS} here)")
    drill.add_argument("--out", type=Path, default=Path("runs"), metavar="DIR", help="where run folders go (runs)")
    drill.set_defaults(run=_run_drill)


def _run_drill(args: argparse.Namespace, console: Console) -> int:
    from harness.drill import Drill, Row, build_batches  # noqa: PLC0415 - only this command needs the engine's library

    if args.jobs < 1:
        raise InputError((Problem("--jobs", 0, 0, "", f"expected a number from 1, saw {args.jobs}"),))
    loaded = load_profile(args.profile)
    plan = compile_plan(loaded, args.site or next(iter(site_names(loaded))), "fast", None)
    secrets = resolve_secrets(plan)
    suite = list_suite(args.suite, load_faults())
    left_out = [(a.text, reason) for a in suite if (reason := find_reason(plan, a)) is not None]
    chosen = [a for a in suite if find_reason(plan, a) is None]
    rows: list[Row] = []

    console.print(f"{plan.branch.profile} / {plan.branch.site}: {len(chosen)} faults", style="bold", soft_wrap=True)
    console.print(HEAD, style="dim", soft_wrap=True)
    began_s = time.monotonic()
    with Progress(console, time.monotonic_ns) as progress:

        def on_row(row: Row) -> None:
            rows.append(row)
            text = drill_line(row) + (f"\n          evidence in {row.folder}" if not row.is_as_expected else "")
            progress.say(text, "" if row.is_as_expected else "bold red")

        def on_running(names: Sequence[str]) -> None:
            progress.show(f"  ...   {len(rows)} of {len(chosen)} done; {', '.join(names)}")

        Drill(plan, secrets, args.out, on_row, on_running).run(build_batches(plan, chosen, STANDING_LABS), args.jobs)
    took_s = time.monotonic() - began_s
    listing = args.out / f"drill-{plan.branch.profile}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.json"
    listing.write_text(json.dumps(list_rows(rows), indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    console.print(render_drill(rows, left_out, took_s, args.jobs), soft_wrap=True, markup=False, style="bold")
    console.print(f"all trials in {listing}", soft_wrap=True)
    return EXIT_PROVEN if len(rows) == len(chosen) and all(r.is_as_expected for r in rows) else EXIT_NOT_PROVEN
