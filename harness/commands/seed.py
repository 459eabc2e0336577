"""`branchproof seed`: the stand-ins' seeds, for a lab by hand. Layer: front end."""

from __future__ import annotations

import argparse
from pathlib import Path

from rich.console import Console

from harness.errors import EXIT_PROVEN
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets

ORDER = 80


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    seed = commands.add_parser("seed", help="write the stand-ins' seeds, to bring the lab up by hand with compose")
    seed.add_argument("profile", type=Path)
    seed.add_argument("--site", help="site (default: the first)")
    seed.add_argument("--out", type=Path, required=True, help="folder for the seeds (holds secrets in clear)")
    seed.set_defaults(run=_run_seed)


def _run_seed(args: argparse.Namespace, console: Console) -> int:
    from harness.lab.docker_lab import write_seeds  # noqa: PLC0415 - keys and images are only made here

    loaded = load_profile(args.profile)
    plan = compile_plan(loaded, args.site or next(iter(site_names(loaded))), "fast", None)
    write_seeds(plan, resolve_secrets(plan), args.out)
    console.print(f"seeds for {plan.branch.site} in {args.out}: they hold secrets in clear", soft_wrap=True)
    return EXIT_PROVEN
