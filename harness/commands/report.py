"""`branchproof report`: runs told to people and machines, as files. Layer: front end.

Every format renders the same stories (telling.tell_run), so all of them say the same.
"""

from __future__ import annotations

import argparse
import os
import webbrowser
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from rich.console import Console

from harness.errors import EXIT_PROVEN, InputError, Problem
from harness.marked_captures import write_marked
from harness.page.render import render_page
from harness.reports.escape import escape
from harness.reports.junit import render_junit_stories
from harness.reports.markdown import render_markdown
from harness.reports.otlp import render_otlp
from harness.reports.structured import render_json
from harness.story.model import Story
from harness.telling import tell_run
from harness.trace_sending import find_endpoint, send_trace

ORDER = 50
TOGETHER: Mapping[str, tuple[str, Callable[[Sequence[Story]], str]]] = {
    "html": ("report.html", render_page),
    "json": ("report.json", render_json),
    "markdown": ("report.md", render_markdown),
    "junit": ("report.junit.xml", render_junit_stories),
}
"""Formats of one file for all runs: its name, and what renders it."""
EACH = {"otlp": "trace.otlp.jsonl", "pcapng": "marked.pcapng"}
"""Formats of a file for each run."""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    report = commands.add_parser(
        "report",
        help="tell runs as a page, or for other tools",
        description="Writes report.html, or what --format names, into the run's folder; of several runs into "
        "the folder that holds the first of them, side by side in one file. Each run is judged anew from its tape.",
        epilog="exit: 0 written, whatever the runs came to; 2 bad input; 3 a collector did not take a trace",
    )
    report.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="run folder")
    report.add_argument("--open", action="store_true", help="show the page in a browser")
    report.add_argument("--out", type=Path, metavar="DIR", help="write into this folder instead")
    report.add_argument(
        "--format", nargs="+", default=["html"], metavar="FORMAT", choices=[*TOGETHER, *EACH],
        help=f"some of {', '.join([*TOGETHER, *EACH])} (html)",
    )  # fmt: skip
    report.add_argument(
        "--to", metavar="URL",
        help="with --format otlp: send the traces there as well; else where OTEL_EXPORTER_OTLP_ENDPOINT says, if set",
    )  # fmt: skip
    report.set_defaults(run=_run_report)


def _run_report(args: argparse.Namespace, console: Console) -> int:
    _check(args)
    runs = list(zip(args.runs, map(tell_run, args.runs), strict=True))
    out = args.out or (args.runs[0] if len(runs) == 1 else args.runs[0].resolve().parent)
    out.mkdir(parents=True, exist_ok=True)
    for name in dict.fromkeys(args.format):
        if name in TOGETHER:
            target = out / TOGETHER[name][0]
            target.write_text(TOGETHER[name][1]([story for _, story in runs]), "utf-8")
            _say(console, str(target))
        else:
            for run, story in runs:
                _write_each(console, name, run, story, _name_each(args.out, run, name, len(runs) == 1))
    if "otlp" in args.format:
        _send(console, args.to, [story for _, story in runs])
    if args.open and not webbrowser.open((out / TOGETHER["html"][0]).resolve().as_uri()):
        console.print("# no browser was found to show it in", style="dim")
    return EXIT_PROVEN


def _check(args: argparse.Namespace) -> None:
    """Refuse what does not go together. Raises: InputError."""
    problems = []
    if args.open and "html" not in args.format:
        problems.append(Problem("--open", 0, 0, "", "expected html among the formats: only a page can be opened"))
    if args.to is not None and "otlp" not in args.format:
        problems.append(Problem("--to", 0, 0, "", "expected otlp among the formats: only traces are sent"))
    if args.out is not None and args.out.exists() and not args.out.is_dir():
        problems.append(Problem("--out", 0, 0, str(args.out), "expected a folder, saw a file"))
    names = [run.resolve().name for run in args.runs]
    if args.out is not None and len(set(names)) < len(names) and not set(EACH).isdisjoint(args.format):
        text = "expected runs of different names: each has a file of its own there"
        problems.append(Problem("--out", 0, 0, str(args.out), text))
    if problems:
        raise InputError(tuple(problems))


def _name_each(out: Path | None, run: Path, name: str, is_alone: bool) -> Path:
    """Return where a run's own file goes; in a folder for several runs each bears its run's name."""
    if out is None:
        return run / EACH[name]
    return out / (EACH[name] if is_alone else f"{run.resolve().name}.{EACH[name]}")


def _write_each(console: Console, name: str, run: Path, story: Story, target: Path) -> None:
    if name == "otlp":
        target.write_text(render_otlp(story), "utf-8")
    else:
        for note in write_marked(run, story, target):
            console.print(f"# {escape(note)}", style="dim", soft_wrap=True, markup=False)
    _say(console, str(target))


def _send(console: Console, to: str | None, stories: Sequence[Story]) -> None:
    endpoint = find_endpoint(to, os.environ)
    for story in stories if endpoint else ():
        send_trace(story, str(endpoint), os.environ)
        _say(console, f"sent {story.run} to {endpoint}")


def _say(console: Console, text: str) -> None:
    console.print(escape(text), soft_wrap=True, markup=False)
