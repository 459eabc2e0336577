"""`branchproof resume`: go on in the lab of a run that was left up, after a change. Layer: front end."""

from __future__ import annotations

import argparse
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from harness.app import Options, Proof, Session
from harness.commands.shared import EXITS, warn
from harness.core.model import Plan
from harness.core.registry import load_stages
from harness.errors import EXIT_NOT_PROVEN, EXIT_PROVEN, InputError, Problem
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets
from harness.progress import Progress
from harness.reports.kept import explain_kept
from harness.reports.text import render_verdict

if TYPE_CHECKING:
    from harness.going_on import GoingOn

ORDER = 12
MOST_LISTED = 12


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    resume = commands.add_parser("resume", help="go on from a stage in a lab that was left up", epilog=EXITS)
    resume.add_argument("folder", metavar="RUN", help="run folder, or the lab's id")
    resume.add_argument(
        "--from", dest="since", required=True, metavar="STAGE", choices=[s.name for s in load_stages()],
        help="stage to go on from; those before are taken as reached",
    )  # fmt: skip
    resume.add_argument("--profile", type=Path, metavar="FILE", help="profile as it is now (else: as it was)")
    resume.add_argument("--out", type=Path, metavar="DIR", help="where the run folder goes (beside the one before)")
    resume.add_argument(
        "--keep", choices=("on-fail", "always", "never"), default="on-fail", help="leave the lab up again (on-fail)"
    )
    resume.set_defaults(run=_run_resume)


def _run_resume(args: argparse.Namespace, console: Console) -> int:
    from harness.going_on import GoingOn, open_kept  # noqa: PLC0415 - only this command needs the engine's library

    with closing(open_kept(args.folder)) as kept:
        plan = _build_plan(kept.saved.plan, args.profile, args.since)
        secrets = resolve_secrets(plan)
        going_on = GoingOn(kept, plan, secrets)
        _tell_changes(going_on.changed, console)
        options = Options(args.out or kept.folder.parent, args.keep)
        proof = _go_on(going_on.plan, secrets, going_on, options, console)
    console.print(
        f"resumed from {kept.folder}: no stage before {args.since} was run again", soft_wrap=True, markup=False
    )
    console.print(f"evidence in {proof.folder}", soft_wrap=True, markup=False)
    if proof.kept:
        profile = str(args.profile) if args.profile else None
        text = explain_kept(proof.kept, str(proof.folder), proof.verdict, profile)
        console.print(text, soft_wrap=True, markup=False)
    return EXIT_PROVEN if proof.verdict.proven else EXIT_NOT_PROVEN


def _build_plan(before: Plan, profile: Path | None, since: str) -> Plan:
    """Return the plan to go on with: the run's own, or compiled anew from the file, for the same site."""
    plan = before
    if profile is not None:
        loaded = load_profile(profile)
        for problem in loaded.warnings:
            warn(problem)
        names = list(site_names(loaded))
        if before.branch.site not in names:
            text = f"expected the run's site {before.branch.site}, saw {', '.join(names)}"
            raise InputError((Problem(str(profile), 0, 0, "--profile", text),))
        plan = compile_plan(loaded, before.branch.site, before.pace, None)
        plan = replace(plan, only=before.only, skip=before.skip, soak=before.soak)
    return replace(plan, since=since, until=None)


def _tell_changes(changed: tuple[str, ...], console: Console) -> None:
    """Say what changed since the lab was told last: keys only, no values."""
    for key in changed[:MOST_LISTED]:
        console.print(f"  changed  {key}", soft_wrap=True, markup=False)
    if len(changed) > MOST_LISTED:
        console.print(f"  changed  and {len(changed) - MOST_LISTED} more", soft_wrap=True)
    if not changed:
        console.print("  nothing changed since the lab was told last", soft_wrap=True)


def _go_on(plan: Plan, secrets: dict[str, str], going_on: GoingOn, options: Options, console: Console) -> Proof:
    name = f"{plan.branch.profile} / {plan.branch.site}"
    console.print(f"{name}  from {plan.since}, in lab {going_on.run_id}", style="bold", soft_wrap=True)
    with (
        Progress(console, time.monotonic_ns) as progress,
        Session(plan, secrets, options, progress.on_progress, going_on=going_on) as session,
    ):
        progress.scrub = session.scrub
        progress.say(f"  lab   taken up in {session.start():.1f} s")
        session.run()
        progress.show("  ...   lab           gathering captures")
        proof = session.conclude()
    console.print(render_verdict(proof.verdict, name, proof.took_s), style="bold", soft_wrap=True)
    return proof
