"""`branchproof prove`: the whole bring-up, judged. Layer: front end."""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

from rich.console import Console

from harness.app import Options, Session
from harness.commands.shared import EXITS, warn
from harness.core.model import Plan
from harness.core.registry import load_checks, load_stages
from harness.errors import EXIT_NOT_PROVEN, EXIT_PROVEN, InputError, Problem
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import LoadedProfile, load_profile
from harness.profile.secrets import find_weak_secrets, resolve_secrets
from harness.progress import Progress
from harness.reports.text import render_verdict

ORDER = 10


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    prove = commands.add_parser("prove", help="run the whole bring-up and judge it", epilog=EXITS)
    prove.add_argument("profiles", type=Path, nargs="+", metavar="PROFILE", help="profile (YAML)")
    prove.add_argument(
        "--site",
        action="append",
        default=[],
        metavar="NAME",
        help="site to prove, repeatable; `all`; default: the first",
    )
    prove.add_argument("--pace", choices=("fast", "field"), default="fast", help="hardware waits: compressed or real")
    prove.add_argument("--out", type=Path, default=Path("runs"), metavar="DIR", help="where run folders go (runs)")
    prove.add_argument("--keep", choices=("on-fail", "always", "never"), default="never", help="leave the lab up")
    prove.add_argument("--until", metavar="STAGE", choices=[s.name for s in load_stages()], help="last stage to run")
    names = [c.name for c in load_checks()]
    prove.add_argument("--only", nargs="+", metavar="CHECK", choices=names, default=[], help="checks to run (all)")
    prove.add_argument("--skip", nargs="+", metavar="CHECK", choices=names, default=[], help="checks to leave out")
    prove.add_argument("--soak", action="store_true", help="wait out what takes long, such as the length of a block")
    prove.set_defaults(run=_run_prove)


def _run_prove(args: argparse.Namespace, console: Console) -> int:
    plans = [plan for path in args.profiles for plan in _compile_sites(load_profile(path), path, args, console)]
    secrets = [resolve_secrets(plan) for plan in plans]  # every plan's, before the first lab starts
    for problem in dict.fromkeys(p for pair in zip(plans, secrets, strict=True) for p in find_weak_secrets(*pair)):
        warn(problem)
    proven = [_prove(plan, values, args, console) for plan, values in zip(plans, secrets, strict=True)]
    if len(proven) > 1:
        console.print(f"{sum(proven)} of {len(proven)} proven", soft_wrap=True)
    return EXIT_PROVEN if all(proven) else EXIT_NOT_PROVEN


def _compile_sites(loaded: LoadedProfile, path: Path, args: argparse.Namespace, console: Console) -> list[Plan]:
    for problem in loaded.warnings:
        warn(problem)
    names = list(site_names(loaded))
    wanted: list[str] = names if "all" in args.site else args.site or names[:1]
    for name in wanted:
        if name not in names:
            raise InputError((Problem(str(path), 0, 0, "--site", f"no site {name!r}; it has {', '.join(names)}"),))
    if len(names) > 1 and not args.site:
        console.print(
            f"{path}: first of {len(names)} sites ({', '.join(names)}); --site NAME or --site all", soft_wrap=True
        )
    plans = (compile_plan(loaded, name, args.pace, args.until) for name in wanted)
    return [replace(plan, only=tuple(args.only), skip=tuple(args.skip), soak=args.soak) for plan in plans]


def _prove(plan: Plan, secrets: dict[str, str], args: argparse.Namespace, console: Console) -> bool:
    name = f"{plan.branch.profile} / {plan.branch.site}"
    console.print(f"{name}  (pace {plan.pace})", style="bold", soft_wrap=True)
    with (
        Progress(console, time.monotonic_ns) as progress,
        Session(plan, secrets, Options(args.out, args.keep), progress.on_progress) as session,
    ):
        progress.scrub = session.scrub
        progress.show("  ...   lab           building networks and stand-ins")
        progress.say(f"  lab   ready for power in {session.start():.1f} s")
        session.run()
        progress.show("  ...   lab           gathering captures, taking it down")
        proof = session.conclude()
    console.print(render_verdict(proof.verdict, name, proof.took_s), style="bold", soft_wrap=True)
    console.print(f"evidence in {proof.folder}", soft_wrap=True)
    if proof.kept:
        console.print(f"lab {proof.kept} is still up; `branchproof sweep` removes it", soft_wrap=True)
    return proof.verdict.proven
