"""`branchproof enter`: a shell, or one command, in a node of a lab that was left up. Layer: front end."""

from __future__ import annotations

import argparse
from contextlib import closing

from rich.console import Console

ORDER = 14
SHELL = ("bash", "-l")


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    enter = commands.add_parser(
        "enter",
        help="a shell in a node of a lab that was left up",
        epilog="exit: the command's own code; 2 no such lab or node, 3 the engine broke",
    )
    enter.add_argument("folder", metavar="RUN", help="run folder, or the lab's id")
    enter.add_argument("node", metavar="NODE", help="router, carrier, internet, management, hq-gateway, client1, ...")
    enter.add_argument(
        "command", nargs=argparse.REMAINDER, metavar="-- COMMAND...", help="command to run instead of a shell"
    )
    enter.set_defaults(run=_run_enter)


def _run_enter(args: argparse.Namespace, console: Console) -> int:
    from harness.lab.engine import Engine  # noqa: PLC0415 - only this command needs the engine's library
    from harness.lab.kept import find_lab, find_run_id  # noqa: PLC0415 - as above
    from harness.lab.terminal import run_here  # noqa: PLC0415 - as above

    command = args.command[1:] if args.command[:1] == ["--"] else args.command
    run_id = find_run_id(args.folder)
    with closing(Engine()) as engine:
        container = find_lab(engine, run_id).get_container(args.node)
        return run_here(engine, container, command or SHELL)
