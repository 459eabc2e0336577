"""A nominal `fast` run: how long it takes, and how much of that is the harness's own. Reads verdicts.

Every second of a run (`wall`, from process start to process end, Python's own start included) is in one of:

* `engine`: lab_up_s + lab_down_s of verdict.json (facts.times_s) and power_on_s (facts.lab_times_s): networks,
  containers, stand-ins' start, removal; and the start of the router's container, which the loop waits for.
* `lab`: waited_s less the settle time: the loop had nothing to do and waited for stand-ins, which were waiting for
  protocols or for each other.
* `overhead`: all the rest. That is Python's start, profile and plan, the loop's own work (loop_s - waited_s -
  power_on_s), the settle time at the end (the loop waits, but for no protocol: only so that nothing is still under
  way), the gathering of captures and logs, judging and writing.

The settle time is read off the tape: from the end of the last step to the last entry, which ends the run. The end of
the last step is SETTLE_NS before the deadline of a machine that was given all but the last entry.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.replay import replay
from harness.core.timing import SETTLE_NS
from harness.run_folder import load_run
from tests.bench.figures import BenchError, Result, at_most, report
from tests.bench.posture import find_whole_s, list_times
from tests.bench.runs import Run, Runs
from tests.bench.stats import find_median

RUNS = 5


@dataclass(frozen=True, slots=True)
class Account:
    """Where one run's wall time went, in seconds."""

    wall_s: float
    engine_s: float
    lab_s: float
    settle_s: float
    loop_own_s: float
    rest_s: float
    checks_s: float

    @property
    def overhead_s(self) -> float:
        return self.settle_s + self.loop_own_s + self.rest_s


def account(run: Run) -> Account:
    """Return where a run's time went."""
    times = run.verdict["facts"]["times_s"]
    settle_s = _find_settle_s(run)
    power_on_s = run.verdict["facts"]["lab_times_s"]["power_on_s"]
    return Account(
        wall_s=run.wall_s,
        engine_s=times["lab_up_s"] + times["lab_down_s"] + power_on_s,
        lab_s=times["waited_s"] - settle_s,
        settle_s=settle_s,
        loop_own_s=times["loop_s"] - times["waited_s"] - power_on_s,
        rest_s=run.wall_s - times["lab_up_s"] - times["lab_down_s"] - times["loop_s"],
        checks_s=find_whole_s(list_times(run.folder)),
    )


def _find_settle_s(run: Run) -> float:
    saved = load_run(run.folder)
    deadline_ns = replay(saved.plan, saved.tape[:-1]).deadline_ns
    if deadline_ns is None:
        raise BenchError(f"{run.folder}: expected the tape's last entry to end the run, saw the run end before")
    return (saved.tape[-1].now_ns - (deadline_ns - SETTLE_NS)) / 1e9


def measure(runs: Runs) -> Result:
    """Take RUNS runs and say where their time went."""
    taken = runs.take(RUNS)
    accounts = [account(run) for run in taken]
    share = find_median([a.overhead_s / a.wall_s for a in accounts])
    median = {name: find_median([getattr(a, name) for a in accounts]) for name in Account.__slots__}
    return Result(
        "nominal",
        "a nominal fast run, and the harness's own share of it",
        (
            at_most("overhead / wall time", share, "", 0.10),
            at_most("wall time without the checks, median", median["wall_s"] - median["checks_s"], "s", 25.0),
            report("wall time, median", median["wall_s"], "s"),
            report("  checks (see posture)", median["checks_s"], "s"),
            report("  engine: lab up and down", median["engine_s"], "s"),
            report("  lab: protocols and stand-ins", median["lab_s"], "s"),
            report("  overhead", find_median([a.overhead_s for a in accounts]), "s"),
            report("    settling at the end", median["settle_s"], "s"),
            report("    the loop's own work", median["loop_own_s"], "s"),
            report("    start, gathering, judging, writing", median["rest_s"], "s"),
        ),
        (f"{sum(run.proven for run in taken)} of {len(taken)} runs proven, pace {taken[0].verdict['facts']['pace']}.",),
        {
            "runs": [{name: getattr(a, name) for name in Account.__slots__} for a in accounts],
            "means": taken[0].verdict["facts"]["means"],
        },
    )
