"""`branchproof faults`: the catalogue. Layer: front end."""

from __future__ import annotations

import argparse
import textwrap

from rich.console import Console

from harness.core.faults import Fault
from harness.core.registry import load_faults
from harness.errors import EXIT_PROVEN

ORDER = 32


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    faults = commands.add_parser("faults", help="list the field faults that can be put upon a branch")
    faults.add_argument("--long", action="store_true", help="with cause and parameters")
    faults.set_defaults(run=_run_faults)


def _run_faults(args: argparse.Namespace, console: Console) -> int:
    family = ""
    for fault in load_faults():
        if fault.family != family:
            family = fault.family
            console.print(family, style="bold")
        console.print(_tell(fault, long=args.long), soft_wrap=True, markup=False)
    return EXIT_PROVEN


def _tell(fault: Fault, *, long: bool) -> str:
    lines = [f"  {fault.name:<30} {fault.met:<11} {fault.title}"]
    if long:
        lines += textwrap.wrap(f"{fault.cause} Strikes {fault.strikes}.", 74, initial_indent=" " * 6,
                               subsequent_indent=" " * 6)  # fmt: skip
        lines += [f"      :{p.name}={_show(p.usual)}  ({p.unit})" for p in fault.parameters]
    return "\n".join(lines)


def _show(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"
