"""The command line: arguments, error to exit code. Layer: front end; only here and in commands/ is anything printed.

Exit codes: 0 proven, 1 not proven, 2 bad input, 3 lab or engine broke, 4 our bug, 130 interrupted. Not here: the
commands (commands/, one file each), what a person sees while one runs (progress.py).
"""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import signal
import sys
import traceback
from collections.abc import Sequence
from types import FrameType
from typing import NoReturn

from rich.console import Console

from harness import commands
from harness.commands.shared import EXITS
from harness.errors import EXIT_BUG, EXIT_INTERRUPTED, EXIT_LAB, BranchproofError, InputError
from harness.reports.escape import escape_lines


class Interrupted(KeyboardInterrupt):
    """Ctrl-C or SIGTERM. Not KeyboardInterrupt itself: where that passes a string that is executed (every dataclass is
    made so), CPython ends by the signal though it was caught (pythonrun.c, run_eval_code_obj), and 130 is lost."""


def main(argv: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit code."""
    signal.signal(signal.SIGTERM, _interrupt)
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else it was to be ignored, as of a job behind
        signal.signal(signal.SIGINT, _interrupt)
    console = Console(highlight=False, markup=False, emoji=False)  # texts are shown as they are
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
    raise Interrupted


def _complain(text: str) -> None:
    sys.stderr.write(f"branchproof: {escape_lines(text)}\n")


def _build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="branchproof", description="Prove a branch router's profile on a bench of stand-ins.", epilog=EXITS
    )
    subparsers = parser.add_subparsers(required=True, metavar="COMMAND")
    names = (m.name for m in pkgutil.iter_modules(commands.__path__) if m.name != "shared")
    modules = (importlib.import_module(f"{commands.__name__}.{name}") for name in names)
    for module in sorted(modules, key=lambda m: int(m.ORDER)):
        module.add(subparsers)
    return parser


if __name__ == "__main__":
    main()
