"""`python -m tests.bench [--only NAME]`: run the measurements, print a table, write .bench/bench.json. Front end.

Exit codes: 0 measured, whether or not targets were met; 2 bad arguments; 3 something could not be measured; 130
interrupted. What was measured before is shown and written all the same.
"""

from __future__ import annotations

import argparse
import json
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Any

from harness.commands.show import RECORDED
from harness.errors import BranchproofError
from tests.bench import diagnosis, fleet, lab_up, live, mutation, nominal, posture, radio_link, report_page, stage_times
from tests.bench.figures import BenchError, Result
from tests.bench.machine import read_machine
from tests.bench.runs import Runs
from tests.bench.table import render_end, render_result

FOLDER = Path(".bench")
NAMES = (
    "lab_up", "radio_link", "report", "live", "fleet", "nominal", "stage_times", "posture", "mutation", "diagnosis",
)  # fmt: skip
"""In this order: the runs that `fleet` makes alone serve the two after it."""


def main() -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="Measure the bench on this machine.")
    parser.add_argument("--only", action="append", choices=NAMES, metavar="NAME", help=f"one of {', '.join(NAMES)}")
    chosen = parser.parse_args().only or list(NAMES)
    signal.signal(signal.SIGTERM, _interrupt)
    shutil.rmtree(FOLDER, ignore_errors=True)
    FOLDER.mkdir()
    facts: dict[str, Any] = {"began": datetime.now(UTC).isoformat(), "machine": read_machine(), "results": []}
    results: list[Result] = []
    code = 0
    try:
        code = _measure_all([name for name in NAMES if name in chosen], results)
    except KeyboardInterrupt:
        code = 130
    finally:
        facts["results"] = [asdict(result) for result in results]
        (FOLDER / "bench.json").write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
        print(f"{render_end(results)}; raw samples in {FOLDER / 'bench.json'}")
    return code


def _measure_all(names: list[str], results: list[Result]) -> int:
    runs = Runs(FOLDER / "runs", _say)
    measures: dict[str, Callable[[], Result]] = {
        "lab_up": lambda: lab_up.measure(_say),
        "radio_link": lambda: radio_link.measure(_say),
        "report": lambda: report_page.measure(FOLDER / "report", _say),
        "live": lambda: live.measure_lag(RECORDED / "proven", _say),
        "fleet": lambda: fleet.measure(runs),
        "nominal": lambda: nominal.measure(runs),
        "stage_times": lambda: stage_times.measure(runs),
        "posture": lambda: posture.measure(runs),
        "mutation": lambda: mutation.measure(FOLDER / "mutation", _say),
        "diagnosis": lambda: diagnosis.measure(FOLDER / "diagnosis", runs, _say),
    }
    code = 0
    for name in names:
        _say(f"{name} ...")
        began_s = time.monotonic()
        try:
            results.append(measures[name]())
        except (BenchError, BranchproofError, subprocess.TimeoutExpired) as error:
            print(f"{name}: could not be measured: {error}", flush=True)
            code = 3
            continue
        print(render_result(results[-1]), flush=True)
        _say(f"{name} took {time.monotonic() - began_s:.0f} s")
    return code


def _say(text: str) -> None:
    print(f"  {text}", file=sys.stderr, flush=True)


def _interrupt(signum: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


sys.exit(main())
