"""What is noticed of a weaker configuration: `branchproof mutate` over both demo profiles. I/O: processes."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from harness.mutation import GOAL_PCT, REPORT
from tests.bench.figures import BenchError, Figure, Result, report
from tests.bench.runs import HARBOUR, PROFILE

TIMEOUT_S = 3600.0


def measure(folder: Path, say: Callable[[str], None]) -> Result:
    """Weaken both profiles bit by bit."""
    figures: list[Figure] = []
    samples = {}
    notes: list[str] = []
    noticed = count = 0
    for profile in (PROFILE, HARBOUR):
        say(f"weakening {profile.stem}: some minutes")
        out = folder / profile.stem
        command = [str(Path(sys.executable).with_name("branchproof")), "mutate", str(profile), "--out", str(out)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S, check=False)
        found = list(out.glob(f"*/{REPORT}"))
        if done.returncode not in (0, 1) or len(found) != 1:
            raise BenchError(f"expected a report of weakenings, saw exit {done.returncode}: {done.stdout[-1500:]}")
        made = json.loads(found[0].read_text(encoding="utf-8"))
        rounds = made["rounds"]
        seen = sum(r["judgement"] == "noticed" for r in rounds)
        noticed, count = noticed + seen, count + len(rounds)
        figures.append(report(f"  {profile.stem}: noticed of {len(rounds)}", seen, ""))
        figures.append(
            report(f"  {profile.stem}: seconds a weakening", sum(r["took_s"] for r in rounds) / len(rounds), "s")
        )
        notes += [
            f"{profile.stem}: {r['judgement']}: {r['key']}: {r['title']}" for r in rounds if r["judgement"] != "noticed"
        ]
        notes += [f"{profile.stem}: not proven again at the end" for _ in made["after"][:1]]
        samples[profile.stem] = [{k: r[k] for k in ("title", "key", "judgement", "by", "took_s")} for r in rounds]
    score = 100.0 * noticed / count
    whole = Figure("weakenings noticed", score, "%", f">= {GOAL_PCT:g}", score >= GOAL_PCT)
    return Result(
        "mutation", "what the checks notice of a weaker configuration", (whole, *figures), tuple(notes), samples
    )
