"""What the checks after the bring-up cost, and where that time goes. Reads run folders.

The time is from the moment when the first check begins until the last is over, as the machine has them: those that do
not disturb each other side by side, then each of the others alone.
"""

from __future__ import annotations

from pathlib import Path

from harness.core.registry import load_checks
from harness.core.replay import replay
from harness.core.steps import Progress
from harness.run_folder import load_run
from tests.bench.figures import Result, at_most, report
from tests.bench.runs import HARBOUR, PROFILE, Run, Runs

LIMIT_S = 60.0


def list_times(folder: Path) -> list[Progress]:
    """Return the checks that were run, in the order in which they began."""
    saved = load_run(folder)
    progress = replay(saved.plan, saved.tape).check_progress
    ran = [p for p in progress if p.state in ("judged", "timed_out") and p.started_ns is not None]
    return sorted(ran, key=lambda p: (p.started_ns or 0, p.took_s or 0.0))


def find_whole_s(times: list[Progress]) -> float:
    """Return the seconds from the first check's begin to the last one's end."""
    ends = [(p.started_ns or 0) / 1e9 + (p.took_s or 0.0) for p in times]
    return max(ends) - min((p.started_ns or 0) / 1e9 for p in times)


def measure(runs: Runs) -> Result:
    """Take one run of each demo profile."""
    taken: dict[str, Run] = {PROFILE.stem: runs.make(), HARBOUR.stem: runs.make(HARBOUR)}
    disturbing = {check.name for check in load_checks() if check.disturbs}
    figures, samples = [], {}
    for name, run in taken.items():
        times = list_times(run.folder)
        calm = [p for p in times if p.name not in disturbing]
        figures.append(at_most(f"{name}: all checks", find_whole_s(times), "s", LIMIT_S))
        figures.append(report("  side by side", find_whole_s(calm), "s"))
        slowest = max(calm, key=lambda p: p.took_s or 0.0)
        figures.append(report(f"    the longest of them: {slowest.name}", slowest.took_s or 0.0, "s"))
        figures += [report(f"  alone: {p.name}", p.took_s or 0.0, "s") for p in times if p.name in disturbing]
        samples[name] = {p.name: p.took_s for p in times}
    notes = tuple(f"{name}: {'proven' if run.proven else 'NOT proven'}" for name, run in taken.items())
    return Result("posture", "what the checks of the controls add to a fast run", tuple(figures), notes, samples)
