"""Stage results and findings to one verdict. Layer: core, pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol

from harness.core.entries import LEFT_OUT
from harness.core.model import Finding, Outcome, Plan, StageResult, Verdict


class Judged(Protocol):
    """What a verdict is drawn from: a machine that ran, live or by replay."""

    @property
    def done(self) -> bool: ...

    def results(self) -> tuple[StageResult, ...]: ...

    def findings(self) -> tuple[Finding, ...]: ...


def combine(plan: Plan, machine: Judged, facts: Mapping[str, Any]) -> Verdict:
    """Return the verdict. Proven only when the run came to its end and all that was judged passed or did not apply."""
    stages, checks = machine.results(), machine.findings()
    outcomes = [s.outcome for s in stages] + [f.outcome for f in checks]
    proven = machine.done and "PASS" in outcomes and all(o in ("PASS", "NOT_APPLICABLE") for o in outcomes)
    left_out = sorted({f.check for f in checks if f.seen == LEFT_OUT})
    return Verdict(proven, stages, checks, {**facts, "until": plan.until, "left_out": left_out})


def find_worst(outcomes: Iterable[Outcome]) -> Outcome:
    """Return what several outcomes come to: FAIL before INCONCLUSIVE before PASS; NOT_APPLICABLE for nothing else."""
    seen = set(outcomes)
    ranked: tuple[Outcome, ...] = ("FAIL", "INCONCLUSIVE", "PASS")
    return next((o for o in ranked if o in seen), "NOT_APPLICABLE")
