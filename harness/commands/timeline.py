"""`branchproof timeline`: what happened in a run, from tape, logs and captures, in one list. Layer: front end."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rich.console import Console

from harness.core.registry import load_stages
from harness.errors import EXIT_PROVEN, InputError, Problem
from harness.reports.escape import escape
from harness.reports.timeline import render_entries
from harness.run_reading import read_run
from harness.timeline.entries import KINDS
from harness.timeline.merge import build_timeline, choose

ORDER = 52


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    timeline = commands.add_parser(
        "timeline",
        help="what happened in a run, in one list",
        description="AT dialogue, RESTCONF exchanges, DHCP, IKE, syslog, all other events, and the daemons' own logs, "
        "by seconds from power-on. In brackets: `obs N` is the observation of that number in tape.jsonl, "
        "`nodes/X.log:N` a line, `captures/X.pcap#N` a packet.",
    )
    timeline.add_argument("folder", type=Path, metavar="RUN", help="run folder, also one from elsewhere")
    timeline.add_argument("--node", nargs="+", default=[], metavar="NODE", help="only of these nodes")
    timeline.add_argument(
        "--stage", nargs="+", default=[], metavar="STAGE", choices=[s.name for s in load_stages()],
        help="only while these stages were under way",
    )  # fmt: skip
    timeline.add_argument(
        "--kind", nargs="+", default=[], metavar="KIND", choices=KINDS, help=f"only these: {', '.join(KINDS)}"
    )
    timeline.add_argument("--grep", default="", metavar="TEXT", help="only what has this text in it, in any case")
    timeline.set_defaults(run=_run_timeline)


def _run_timeline(args: argparse.Namespace, console: Console) -> int:
    run = read_run(args.folder)
    clock = (run.verdict.get("facts") or {}).get("clock") or {}
    offset_ns = clock.get("offset_ns")
    timeline = build_timeline(
        run.plan, run.tape, run.read_logs(), run.read_captures(), offset_ns if isinstance(offset_ns, int) else None
    )
    nodes = {e.node for e in timeline.entries} - {""}
    if unknown := sorted(set(args.node) - nodes):
        text = f"expected some of {', '.join(sorted(nodes))}, saw {', '.join(unknown)}"
        raise InputError((Problem(str(args.folder), 0, 0, "--node", text),))
    chosen = choose(timeline.entries, args.node, args.stage, args.kind, args.grep)
    for note in (*run.notes, *timeline.notes):
        console.print(f"# {escape(note)}", style="dim", soft_wrap=True, markup=False)
    sys.stdout.write("".join(f"{line}\n" for line in render_entries(chosen, timeline.zero_ns)))
    if not chosen:
        console.print("# nothing of that was seen", style="dim")
    return EXIT_PROVEN
