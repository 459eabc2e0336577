"""The command line: arguments, progress, error to exit code. Layer: front end; the only print and the only sys.exit.

Exit codes: 0 proven, 1 not proven, 2 bad input, 3 lab or engine broke, 4 our bug, 130 interrupted.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import time
import traceback
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import NoReturn

from rich.console import Console

from harness.app import Options, Session
from harness.core.model import Plan
from harness.core.registry import load_checks, load_stages
from harness.errors import (
    EXIT_BUG,
    EXIT_INTERRUPTED,
    EXIT_LAB,
    EXIT_NOT_PROVEN,
    EXIT_PROVEN,
    BranchproofError,
    InputError,
    Problem,
)
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import LoadedProfile, load_profile
from harness.profile.schema import schema
from harness.profile.secrets import find_weak_secrets, resolve_secrets
from harness.profile.sites import sites_schema
from harness.progress import Progress
from harness.reports.clauses import Run, render_clauses
from harness.reports.mutation import render_mutation
from harness.reports.text import render_verdict
from harness.run_folder import load_verdict

_EXITS = "exit: 0 proven, 1 not proven, 2 bad input, 3 lab or engine broke, 4 our bug, 130 interrupted"


def main(argv: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit code."""
    signal.signal(signal.SIGTERM, _interrupt)
    console = Console(highlight=False)
    try:
        args = _build_parser().parse_args(argv)
        code = args.run(args, console)
    except KeyboardInterrupt:
        _complain("interrupted; the lab is taken down")
        code = EXIT_INTERRUPTED
    except InputError as error:
        many = len(error.problems) > 1
        _complain(f"{len(error.problems)} problems\n{error}" if many else str(error))
        code = error.exit_code
    except BranchproofError as error:
        _complain(str(error))
        code = error.exit_code
    except BrokenPipeError:
        sys.stdout = None  # whoever read our output has gone: nothing to flush, nobody to tell
        code = EXIT_LAB
    except OSError as error:
        _complain(f"this machine refused: {error}")
        code = EXIT_LAB
    except Exception:
        _complain(traceback.format_exc() + "this is a bug in branchproof itself")
        code = EXIT_BUG
    sys.stdout.flush()
    sys.exit(code)


def _interrupt(signum: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _warn(problem: Problem) -> None:
    sys.stderr.write(f"branchproof: warning: {problem}\n")


def _complain(text: str) -> None:
    sys.stderr.write(f"branchproof: {text}\n")


def _build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="branchproof", description="Prove a branch router's profile on a bench of stand-ins.", epilog=_EXITS
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_prove(commands)
    _add_mutate(commands)
    clauses = commands.add_parser("clauses", help="list the evidence of runs by clause of PCI DSS, HIPAA, NIST")
    clauses.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="run folder")
    clauses.set_defaults(run=_run_clauses)
    seed = commands.add_parser("seed", help="write the stand-ins' seeds, to bring the lab up by hand with compose")
    seed.add_argument("profile", type=Path)
    seed.add_argument("--site", help="site (default: the first)")
    seed.add_argument("--out", type=Path, required=True, help="folder for the seeds (holds secrets in clear)")
    seed.set_defaults(run=_run_seed)
    sweeping = commands.add_parser("sweep", help="remove whatever any run left behind in the engine")
    sweeping.set_defaults(run=_run_sweep)
    printing = commands.add_parser("schema", help="print the profile's JSON Schema")
    printing.add_argument("--sites", action="store_true", help="that of the sites file instead")
    printing.set_defaults(run=_run_schema)
    preparing = commands.add_parser("prepare", help="set up engine and images, as far as they are not there")
    preparing.set_defaults(run=_run_prepare)
    releasing = commands.add_parser("release", help="stop the engine, if `prepare` started it")
    releasing.set_defaults(run=_run_release)
    return parser


def _add_prove(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    prove = commands.add_parser("prove", help="run the whole bring-up and judge it", epilog=_EXITS)
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
        _warn(problem)
    proven = [_prove(plan, values, args, console) for plan, values in zip(plans, secrets, strict=True)]
    if len(proven) > 1:
        console.print(f"{sum(proven)} of {len(proven)} proven", soft_wrap=True)
    return EXIT_PROVEN if all(proven) else EXIT_NOT_PROVEN


def _compile_sites(loaded: LoadedProfile, path: Path, args: argparse.Namespace, console: Console) -> list[Plan]:
    for problem in loaded.warnings:
        _warn(problem)
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


def _add_mutate(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    mutate = commands.add_parser(
        "mutate", help="weaken what the device is told, bit by bit: does some check notice?", epilog=_EXITS
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


def _run_clauses(args: argparse.Namespace, console: Console) -> int:
    runs = []
    for folder in args.runs:
        plan, verdict = load_verdict(folder)
        name = f"{plan.branch.profile} / {plan.branch.site} ({folder.resolve().name})"
        bearing = {c.name: tuple(one for one in c.clauses if c.bears_on(plan, one)) for c in load_checks()}
        runs.append(Run(name, verdict, bearing))
    console.print(render_clauses(runs), soft_wrap=True, markup=False)
    return EXIT_PROVEN


def _run_seed(args: argparse.Namespace, console: Console) -> int:
    from harness.lab.docker_lab import write_seeds  # noqa: PLC0415 - keys and images are only made here

    loaded = load_profile(args.profile)
    plan = compile_plan(loaded, args.site or next(iter(site_names(loaded))), "fast", None)
    write_seeds(plan, resolve_secrets(plan), args.out)
    console.print(f"seeds for {plan.branch.site} in {args.out}: they hold secrets in clear", soft_wrap=True)
    return EXIT_PROVEN


def _run_sweep(args: argparse.Namespace, console: Console) -> int:
    from harness.lab.sweep import sweep  # noqa: PLC0415

    ghosts: list[str] = []
    removed = sweep(all=True, on_ghost=ghosts.append)
    for ghost in ghosts:
        console.print(f"stays until the engine is restarted: {ghost}", soft_wrap=True, markup=False)
    for name in removed:
        console.print(f"removed {name}", soft_wrap=True)
    if not removed:
        console.print("nothing to remove")
    return EXIT_PROVEN


def _run_schema(args: argparse.Namespace, console: Console) -> int:
    sys.stdout.write(json.dumps(sites_schema() if args.sites else schema(), indent=2) + "\n")
    return EXIT_PROVEN


def _run_prepare(args: argparse.Namespace, console: Console) -> int:
    from harness.setup.prepare import prepare  # noqa: PLC0415

    prepare(lambda text: console.print(text, soft_wrap=True, markup=False))
    return EXIT_PROVEN


def _run_release(args: argparse.Namespace, console: Console) -> int:
    from harness.setup.prepare import release  # noqa: PLC0415

    release(lambda text: console.print(text, soft_wrap=True, markup=False))
    return EXIT_PROVEN


if __name__ == "__main__":
    main()
