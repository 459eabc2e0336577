"""`branchproof prepare`, `release` and `sweep`: the container engine and what runs leave in it. Layer: front end."""

from __future__ import annotations

import argparse

from rich.console import Console

from harness.errors import EXIT_PROVEN

ORDER = 90


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    sweeping = commands.add_parser("sweep", help="remove whatever any run left behind in the engine")
    sweeping.set_defaults(run=_run_sweep)
    preparing = commands.add_parser("prepare", help="set up engine and images, as far as they are not there")
    preparing.set_defaults(run=_run_prepare)
    releasing = commands.add_parser("release", help="stop the engine, if `prepare` started it")
    releasing.set_defaults(run=_run_release)


def _run_sweep(args: argparse.Namespace, console: Console) -> int:
    from harness.lab.sweep import sweep  # noqa: PLC0415 - other commands need no engine

    ghosts: list[str] = []
    removed = sweep(all=True, on_ghost=ghosts.append)
    for ghost in ghosts:
        console.print(f"stays until the engine is restarted: {ghost}", soft_wrap=True, markup=False)
    for name in removed:
        console.print(f"removed {name}", soft_wrap=True)
    if not removed:
        console.print("nothing to remove")
    return EXIT_PROVEN


def _run_prepare(args: argparse.Namespace, console: Console) -> int:
    from harness.setup.prepare import prepare  # noqa: PLC0415 - other commands need no engine

    prepare(lambda text: console.print(text, soft_wrap=True, markup=False))
    return EXIT_PROVEN


def _run_release(args: argparse.Namespace, console: Console) -> int:
    from harness.setup.prepare import release  # noqa: PLC0415 - other commands need no engine

    release(lambda text: console.print(text, soft_wrap=True, markup=False))
    return EXIT_PROVEN
