"""Four labs at once against four in turn, by wall time. Half of those in turn come before, half after."""

from __future__ import annotations

import time

from tests.bench.figures import Figure, Result, report
from tests.bench.runs import Runs

LABS = 4


def measure(runs: Runs) -> Result:
    """Make LABS runs in turn and LABS at once."""
    in_turn = [runs.make() for _ in range(LABS // 2)]
    began_s = time.monotonic()
    at_once = runs.make_at_once(LABS)
    at_once_s = time.monotonic() - began_s
    in_turn += [runs.make() for _ in range(LABS - LABS // 2)]
    in_turn_s = sum(run.wall_s for run in in_turn)
    proven = sum(run.proven for run in (*at_once, *in_turn))
    return Result(
        "fleet",
        f"{LABS} labs at once against {LABS} in turn",
        (
            report("ratio at once / in turn", at_once_s / in_turn_s, ""),
            report("at once", at_once_s, "s"),
            report("in turn", in_turn_s, "s"),
            Figure("proven", proven, "runs", f"= {2 * LABS}", proven == 2 * LABS),
        ),
        (),
        {"at_once_s": [run.wall_s for run in at_once], "in_turn_s": [run.wall_s for run in in_turn]},
    )
