"""`branchproof at`: talk to the modem of a lab that was left up, over its second AT port. Layer: front end."""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Iterable, Iterator
from contextlib import closing
from typing import TYPE_CHECKING

from rich.console import Console

from harness.errors import EXIT_NOT_PROVEN, EXIT_PROVEN, InputError, Problem
from harness.reports.at_lines import asks_for_pin, strike

if TYPE_CHECKING:
    from harness.lab.modem_port import ModemPort

ORDER = 15
ROUTER = "router"


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    talk = commands.add_parser(
        "at",
        help="talk to the modem of a lab that was left up",
        description="Talk to the modem over its second AT port: the device's own port, and what is said there, is "
        "left alone. Commands come from the arguments or, without any, line by line from stdin. A line that ends in "
        "AT+CPIN= has the PIN asked for without showing it; PINs and passwords are never shown.",
        epilog="exit: 0 every command ended in OK, 1 one did not, 2 no such lab, 3 the modem does not answer",
    )
    talk.add_argument("folder", metavar="RUN", help="run folder, or the lab's id")
    talk.add_argument("lines", nargs="*", metavar="COMMAND", help="AT command line, such as AT+CEREG?")
    talk.set_defaults(run=_run_at)


def _run_at(args: argparse.Namespace, console: Console) -> int:
    from harness.lab.engine import Engine  # noqa: PLC0415 - only this command needs the engine's library
    from harness.lab.kept import find_lab, find_run_id  # noqa: PLC0415 - as above
    from harness.lab.modem_port import ModemPort  # noqa: PLC0415 - as above

    for line in args.lines:
        if line[:2].upper() != "AT":
            text = f"expected a line that begins with AT (ITU-T V.250 clause 5.2.1), saw {strike(line)!r}"
            raise InputError((Problem("at", 0, 0, "COMMAND", text),))
    run_id = find_run_id(args.folder)
    with closing(Engine()) as engine:
        router = find_lab(engine, run_id).get_container(ROUTER)
        with closing(ModemPort(engine, router)) as port:
            list(port.ask("ATE0"))  # this port's echo: a PIN that is typed would come back
            return _talk(port, args.lines or _read_lines(), console, shows=bool(args.lines) or not sys.stdin.isatty())


def _talk(port: ModemPort, lines: Iterable[str], console: Console, *, shows: bool) -> int:
    """Send each line, show each answer. `shows`: the line itself, too, since nobody typed it here."""
    code = EXIT_PROVEN
    for line in lines:
        for said in port.poll():  # unsolicited, since the last answer
            _show(console, said)
        if shows:
            _show(console, f"> {line}")
        final = ""
        for said in port.ask(_complete(line)):
            _show(console, said)
            final = said
        code = code if final == "OK" else EXIT_NOT_PROVEN
    return code


def _read_lines() -> Iterator[str]:
    """Yield what is typed, or piped in, until it ends."""
    prompt = "AT port> " if sys.stdin.isatty() else ""
    while True:
        try:
            line = input(prompt).strip()
        except EOFError:
            return
        if line[:2].upper() == "AT":
            yield line
        elif line:
            sys.stderr.write("expected a line that begins with AT (ITU-T V.250 clause 5.2.1); end with Ctrl-D\n")


def _complete(line: str) -> str:
    if asks_for_pin(line) and sys.stdin.isatty():
        return f'{line.rstrip()}"{getpass.getpass("PIN: ")}"'
    return line


def _show(console: Console, text: str) -> None:
    console.print(strike(text), soft_wrap=True, markup=False)
