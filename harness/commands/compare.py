"""`branchproof compare`: where two runs part. Layer: front end."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console

from emulators.common.record import to_json
from harness.core.replay import replay
from harness.errors import EXIT_NOT_PROVEN, EXIT_PROVEN
from harness.reports.compare import render_keys, render_message, render_stage
from harness.reports.escape import escape
from harness.run_reading import ReadRun, read_run
from harness.timeline.compare import find_message_difference, find_stage_difference, list_key_differences
from harness.timeline.merge import find_zero

ORDER = 54


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    compare = commands.add_parser(
        "compare",
        help="where two runs part: stage, message, configuration",
        epilog="exit: 0 they do not part, 1 they do, 2 bad input",
    )
    compare.add_argument("one", type=Path, metavar="RUN", help="run folder (A)")
    compare.add_argument("other", type=Path, metavar="RUN", help="run folder (B)")
    compare.set_defaults(run=_run_compare)


def _run_compare(args: argparse.Namespace, console: Console) -> int:
    runs = [read_run(path) for path in (args.one, args.other)]
    for letter, run in zip("AB", runs, strict=True):
        console.print(f"{letter}  {escape(str(run.path))}", soft_wrap=True, markup=False)
        notes = [*run.notes, *([] if run.verdict else ["stages: as far as the tape goes, not judged to their end"])]
        for note in notes:
            console.print(f"   # {escape(note)}", style="dim", soft_wrap=True, markup=False)
    stage = find_stage_difference(*(_list_stages(run) for run in runs))
    seen = [[e.observation for e in run.tape if e.observation is not None] for run in runs]
    zeros = [find_zero(run.tape, observations) for run, observations in zip(runs, seen, strict=True)]
    message = find_message_difference(seen[0], seen[1], zeros[0], zeros[1])
    keys = list_key_differences(*(run.plan_json for run in runs))
    blocks = render_stage(stage), render_message(message), render_keys(keys)
    sys.stdout.write("\n".join(blocks) + "\n")
    return EXIT_PROVEN if stage is None and message is None and not keys else EXIT_NOT_PROVEN


def _list_stages(run: ReadRun) -> Sequence[Mapping[str, Any]]:
    """Return the stages of the verdict, or as far as the tape of a run without one shows them."""
    stages = run.verdict.get("stages")
    if isinstance(stages, list):
        return [s for s in stages if isinstance(s, Mapping)]
    if run.plan is None:
        return []
    found: Sequence[Mapping[str, Any]] = to_json(replay(run.plan, run.tape).results())
    return found
