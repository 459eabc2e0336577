"""`branchproof prove`: the whole bring-up, judged. Layer: front end."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from rich.console import Console

from emulators.common.record import to_json
from harness.app import Options, Session
from harness.commands.shared import EXITS, warn
from harness.core.faults import Applied
from harness.core.model import Plan
from harness.core.registry import load_checks, load_faults, load_stages
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import diagnose
from harness.errors import EXIT_NOT_PROVEN, EXIT_PROVEN, InputError, Problem
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import LoadedProfile, load_profile
from harness.profile.secrets import find_weak_secrets, resolve_secrets
from harness.progress import Progress
from harness.reports.diagnosis import render_short
from harness.reports.drill import trial_lines, trial_verdict
from harness.reports.kept import explain_kept
from harness.reports.text import render_verdict
from harness.run_folder import load_logs
from harness.trial.choose import find_reason, parse_applied
from harness.trial.outcome import judge_trial

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
    prove.add_argument(
        "--with",
        dest="faults",
        nargs="+",
        action="extend",
        default=[],
        metavar="FAULT[:PARAMETER=VALUE]...",
        help="put field faults upon the run (see `faults`); exit 0 then means: as expected",
    )
    prove.set_defaults(run=_run_prove)


def _run_prove(args: argparse.Namespace, console: Console) -> int:
    applied = [parse_applied(text, load_faults(), "--with") for text in args.faults]
    plans = [plan for path in args.profiles for plan in _compile_sites(load_profile(path), path, args, console)]
    _check_befalls(plans, applied)
    secrets = [resolve_secrets(plan) for plan in plans]  # every plan's, before the first lab starts
    for problem in dict.fromkeys(p for pair in zip(plans, secrets, strict=True) for p in find_weak_secrets(*pair)):
        warn(problem)
    proven = [_prove(plan, values, args, console, applied) for plan, values in zip(plans, secrets, strict=True)]
    if len(proven) > 1:
        word = "as expected" if applied else "proven"
        console.print(f"{sum(proven)} of {len(proven)} {word}", soft_wrap=True)
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


def _check_befalls(plans: Sequence[Plan], applied: Sequence[Applied]) -> None:
    """Raises: InputError for a fault that cannot befall one of the branches."""
    found = [(plan.branch.site, one.text, find_reason(plan, one)) for plan in plans for one in applied]
    problems = tuple(Problem("--with", 0, 0, text, f"{site}: {reason}") for site, text, reason in found if reason)
    if problems:
        raise InputError(problems)


def _prove(
    plan: Plan, secrets: dict[str, str], args: argparse.Namespace, console: Console, applied: Sequence[Applied]
) -> bool:
    name = f"{plan.branch.profile} / {plan.branch.site}"
    console.print(f"{name}  (pace {plan.pace})", style="bold", soft_wrap=True)
    with (
        Progress(console, time.monotonic_ns) as progress,
        Session(
            plan,
            secrets,
            Options(args.out, args.keep),
            progress.on_progress,
            applied=applied,
            on_trial=progress.on_trial,
        ) as session,
    ):
        progress.scrub = session.scrub
        progress.show("  ...   lab           building networks and stand-ins")
        progress.say(f"  lab   ready for power in {session.start():.1f} s")
        session.run()
        progress.show("  ...   lab           gathering captures, taking it down")
        proof = session.conclude()
        outcome = judge_trial(session.trial) if session.trial is not None else None
        if outcome is not None:
            session.folder.save_outcome(to_json(outcome))
    failed = list(dict.fromkeys(f.check for f in proof.verdict.checks if f.outcome == "FAIL"))
    if outcome is not None:
        console.print(session.scrub(trial_lines(outcome)), soft_wrap=True, markup=False)
        text = trial_verdict(outcome, name, proof.took_s, failed)
        console.print(text, style="bold", soft_wrap=True, markup=False)
    else:
        console.print(render_verdict(proof.verdict, name, proof.took_s), style="bold", soft_wrap=True)
    if outcome is not None or not proof.verdict.proven:
        text = render_short(diagnose(build_case(session.machine, load_logs(proof.folder))), str(proof.folder))
        if text:
            console.print(session.scrub(text), soft_wrap=True, markup=False)
    console.print(f"evidence in {proof.folder}", soft_wrap=True)
    if proof.kept:
        text = explain_kept(proof.kept, str(proof.folder), proof.verdict, _find_profile(args.profiles))
        console.print(text, soft_wrap=True, markup=False)
    return proof.verdict.proven if outcome is None else outcome.outcome == "PASS" and not failed


def _find_profile(paths: Sequence[Path]) -> str | None:
    """Return the one profile file that there was, or None."""
    return str(paths[0]) if len(paths) == 1 else None
