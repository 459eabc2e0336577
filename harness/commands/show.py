"""`branchproof show`: a run as a live page, recorded or under way. Layer: front end."""

from __future__ import annotations

import argparse
import os
import secrets
import sys
import webbrowser
from contextlib import suppress
from pathlib import Path

from rich.console import Console

from harness.app import MonotonicClock
from harness.commands.shared import warn
from harness.errors import EXIT_INTERRUPTED, EXIT_PROVEN, InputError, Problem
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import find_weak_secrets, resolve_secrets
from harness.show.live import LiveShow
from harness.show.player import FASTEST, SLOWEST
from harness.show.server import make_server, open_socket
from harness.show.showing import Show

ORDER = 53
RECORDED = Path(__file__).resolve().parent.parent / "recorded"
"""Run folders that come with the package."""
FIRST = "proven"
"""The one of them that is on when the page opens; another is chosen there."""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    show = commands.add_parser(
        "show",
        help="a run as a live page",
        description="Serves one page, on this machine only. A profile is run live, with a bench that takes orders from "
        "the page; a run's folder is played back, and needs no engine; without either, recorded runs that come along.",
        epilog="exit: 0 ended by Ctrl-C, 2 bad input, 130 ended by Ctrl-C in the middle of a live run",
    )
    show.add_argument("what", type=Path, nargs="?", metavar="PROFILE|RUN", help="profile (*.yaml), or a run's folder")
    show.add_argument("--port", type=int, default=0, metavar="N", help="port on 127.0.0.1 (any that is free)")
    show.add_argument("--pace", choices=("fast", "field"), default="fast", help="hardware waits: compressed or real")
    show.add_argument(
        "--speed", type=float, default=1.0, metavar="X", help=f"of the picture, {SLOWEST:g} to {FASTEST:g}"
    )
    show.add_argument("--site", metavar="NAME", help="site of the profile (the first)")
    show.add_argument("--out", type=Path, default=Path("runs"), metavar="DIR", help="where run folders go (runs)")
    show.add_argument("--no-open", action="store_true", help="open no browser, only print the address")
    show.set_defaults(run=_run_show)


def _run_show(args: argparse.Namespace, console: Console) -> int:
    if not SLOWEST <= args.speed <= FASTEST:
        raise _refuse("--speed", f"expected {SLOWEST:g} to {FASTEST:g}, saw {args.speed:g}")
    if not 0 <= args.port < 65536:
        raise _refuse("--port", f"expected 0 to 65535, saw {args.port}")
    show = _make_show(args)
    try:
        return _serve(show, args, console)
    finally:
        show.close()


def _serve(show: Show, args: argparse.Namespace, console: Console) -> int:
    try:
        listener = open_socket(args.port)
    except OSError as error:
        raise _refuse("--port", f"{args.port} cannot be used: {error.strerror}") from error
    with listener:
        token = secrets.token_urlsafe(24)
        url = f"http://127.0.0.1:{listener.getsockname()[1]}/?token={token}"
        server = make_server(show, token, listener)
        console.print(url, soft_wrap=True, markup=False)
        console.print("this machine only; Ctrl-C ends it", style="dim")
        if not args.no_open and _has_display():
            webbrowser.open(url)
        with suppress(KeyboardInterrupt):  # raised again once all is closed: Ctrl-C is how this command ends
            server.run(sockets=[listener])
    is_lost = isinstance(show, LiveShow) and show.is_on
    if is_lost:
        console.print("the run is broken off; the lab is taken down", style="dim")
    return EXIT_INTERRUPTED if is_lost else EXIT_PROVEN


def _make_show(args: argparse.Namespace) -> Show:
    if args.what is None:
        runs = {tape.parent.name: tape.parent for tape in sorted(RECORDED.glob("**/tape.jsonl"))}
        if not runs:
            raise _refuse("PROFILE|RUN", "expected a profile or a run's folder: no recorded run came along")
        show = Show(runs, speed=args.speed)
        show.open_run(runs.get(FIRST, next(iter(runs.values()))))
        return show
    if args.what.suffix in (".yaml", ".yml"):
        return _make_live(args)
    if args.site is not None:
        raise _refuse("--site", "a recorded run has its site already")
    show = Show({}, speed=args.speed)
    show.open_run(args.what)
    return show


def _make_live(args: argparse.Namespace) -> LiveShow:
    loaded = load_profile(args.what)
    names = list(site_names(loaded))
    site = args.site or names[0]
    if site not in names:
        raise _refuse("--site", f"no site {site!r}; it has {', '.join(names)}")
    plan = compile_plan(loaded, site, args.pace, None)
    values = resolve_secrets(plan)
    for problem in (*loaded.warnings, *find_weak_secrets(plan, values)):
        warn(problem)
    return LiveShow(plan, values, args.out, MonotonicClock(), speed=args.speed)


def _has_display() -> bool:
    """Say whether a browser could show itself: a Unix without a display would start one in the terminal."""
    return sys.platform in ("darwin", "win32") or bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def _refuse(option: str, text: str) -> InputError:
    return InputError((Problem(option, 0, 0, "", text),))
