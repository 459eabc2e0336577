"""A drill as a table, and its counts. Layer: reports, pure.

One line a fault where all is as expected; below a line that is not: what was expected, what was seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from harness.core.faults import Applied
from harness.diagnosis.diagnose import Diagnosis
from harness.reports.text import MARKS, explain_finding
from harness.trial.outcome import TrialOutcome

HEAD = f"        {'fault':<30} {'seen':<24} {'back':>7}  diagnosis"


class Row(Protocol):
    """One trial of a drill: see harness.drill."""

    @property
    def applied(self) -> Applied: ...

    @property
    def outcome(self) -> TrialOutcome | None: ...

    @property
    def diagnosis(self) -> Diagnosis | None: ...

    @property
    def error(self) -> str: ...

    @property
    def is_named(self) -> bool: ...

    @property
    def is_as_expected(self) -> bool: ...

    @property
    def took_s(self) -> float: ...

    @property
    def shared(self) -> bool: ...


def drill_line(row: Row) -> str:
    """Return a trial's line, and below it what is not as expected."""
    if row.outcome is None:
        return f"  open  {row.applied.text:<30} the lab broke: {row.error}"
    outcome = row.outcome
    mark = "ok" if row.is_as_expected else MARKS["FAIL" if outcome.outcome == "PASS" else outcome.outcome]
    back = f"{outcome.back_s:.1f} s" if outcome.back_s is not None else "--"
    lines = [f"  {mark:<4}  {row.applied.text:<30} {outcome.seen:<24} {back:>7}  {tell_causes(row.diagnosis)}"]
    if not row.is_as_expected:
        lines.append(f"          expected  {outcome.expected}")
        lines += [explain_finding(f) for f in outcome.findings if f.outcome not in ("PASS", "NOT_APPLICABLE")]
        if not row.is_named:
            lines.append(f"          diagnosis expected {' or '.join(outcome.causes) or 'none'}")
    return "\n".join(lines)


def tell_causes(diagnosis: Diagnosis | None) -> str:
    """Return the first cause, and how many others were named."""
    if diagnosis is None or not diagnosis.named:
        return "not known"
    more = len(diagnosis.named) - 1
    return diagnosis.named[0].cause.name + (f" (+{more})" if more else "")


def render_drill(rows: Sequence[Row], left_out: Sequence[tuple[str, str]], took_s: float, jobs: int) -> str:
    """Return the closing lines: what could not befall the branch, counts, and how labs were shared."""
    lines = [f"  n/a   {name:<30} {reason}" for name, reason in left_out]
    right = sum(r.is_as_expected for r in rows)
    named = sum(r.is_named for r in rows)
    shared = sum(r.shared for r in rows)
    lines.append(
        f"{right} of {len(rows)} faults as expected, {named} causes named first, in {took_s / 60:.1f} min, {jobs} labs"
        f" at a time; {shared} trials shared a lab that stood in service"
    )
    return "\n".join(lines)
