"""A drill as a table, and its counts. Layer: reports, pure.

One line a fault where all is as expected; below a line that is not: what was expected, what was seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

from harness.core.faults import Applied
from harness.core.model import Finding
from harness.diagnosis.diagnose import Diagnosis
from harness.reports.escape import escape, escape_lines
from harness.reports.text import MARKS, WIDTH, explain_finding
from harness.trial.outcome import TrialOutcome

HEAD = f"      {'fault':<29} {'expected':<22}  {'seen':<5} {'back':>6}  cause\n" + (
    f"      {'':<29} {'stops at':<12} {'serv':<4} {'back':>4}"
)
_SERVES = {True: "up", False: "down", None: "--"}


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
    def folder(self) -> Path | None: ...

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
        return f" open {row.applied.text:<29} the lab broke: {escape_lines(row.error)}"
    outcome = row.outcome
    mark = "ok" if row.is_as_expected else MARKS["FAIL" if outcome.outcome == "PASS" else outcome.outcome]
    back = f"{outcome.back_s:.1f}s" if outcome.back_s is not None else "--"
    cause = "named" if row.is_named else tell_causes(row.diagnosis)
    lines = [f" {mark:<4} {row.applied.text:<29} {_tell_expected(outcome)} {back:>6}  {cause}"]
    if not row.is_as_expected:
        lines.append(f"          expected  {outcome.expected}")
        lines += [explain_finding(f) for f in outcome.findings if f.outcome not in ("PASS", "NOT_APPLICABLE")]
        if not row.is_named:
            lines.append(f"          diagnosis expected {' or '.join(outcome.causes) or 'none'}")
    return "\n".join(lines)


def _tell_expected(outcome: TrialOutcome) -> str:
    expected = outcome.expectation
    if expected is None:  # several faults at once: no one expectation
        return f"{'--':<12} {'--':<4} {'':>4}  {'':<5}"
    is_same = (outcome.stopped, outcome.serves) == (expected.stage, expected.serves)
    told = f"{expected.stage or '--':<12} {_SERVES[expected.serves]:<4} {expected.back_within_s:3.0f}s"
    return f"{told}  {'same' if is_same else 'other':<5}"


def trial_lines(outcome: TrialOutcome) -> str:
    """Return a trial claim by claim: a line each, and below those that do not hold what was expected and seen."""
    lines = []
    for finding in outcome.findings:
        lines.append(_claim_line(finding))
        if finding.outcome not in ("PASS", "NOT_APPLICABLE"):
            lines += explain_finding(finding).splitlines()[1:]
    return "\n".join(lines)


def _claim_line(finding: Finding) -> str:
    head = f"  {MARKS[finding.outcome]:<4}  {escape(finding.claim)}"
    seen = escape(finding.seen) if finding.outcome == "PASS" else ""
    room = WIDTH - len(head) - 2
    return head if not seen or room < len(seen) else f"{head}: {seen}"


def trial_verdict(outcome: TrialOutcome, name: str, took_s: float, failed: Sequence[str] = ()) -> str:
    """Return the closing line of a trial. `failed`: checks that do not hold under the fault."""
    word = {"PASS": "AS EXPECTED", "FAIL": "NOT AS EXPECTED"}.get(outcome.outcome, "NOT KNOWN")
    if failed:
        word = f"NOT AS EXPECTED ({', '.join(failed)})"
    back = f", back after {outcome.back_s:.1f} s" if outcome.back_s is not None else ""
    return f"{word}  {name} with {', '.join(outcome.faults)}: {escape(outcome.seen)}{back}, {took_s:.1f} s"


def list_rows(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Return the rows as JSON values, for a file beside the run folders."""
    return [
        {
            "fault": row.applied.text,
            "as_expected": row.is_as_expected,
            "outcome": row.outcome.outcome if row.outcome else None,
            "expected": row.outcome.expected if row.outcome else None,
            "seen": row.outcome.seen if row.outcome else None,
            "back_s": row.outcome.back_s if row.outcome else None,
            "causes": [named.cause.name for named in row.diagnosis.named] if row.diagnosis else [],
            "right_causes": list(row.outcome.causes) if row.outcome else [],
            "took_s": round(row.took_s, 1),
            "shared_lab": row.shared,
            "folder": str(row.folder) if row.folder else None,
            "error": row.error,
        }
        for row in rows
    ]


def tell_causes(diagnosis: Diagnosis | None) -> str:
    """Return the first cause, and how many others were named."""
    if diagnosis is None or not diagnosis.named:
        return "not known"
    more = len(diagnosis.named) - 1
    return diagnosis.named[0].cause.name + (f" (+{more})" if more else "")


def render_drill(rows: Sequence[Row], left_out: Sequence[tuple[str, str]], took_s: float, jobs: int) -> str:
    """Return the closing lines: what could not befall the branch, counts, and how labs were shared."""
    lines = [f" n/a  {name:<29} {reason}" for name, reason in left_out]
    right = sum(r.is_as_expected for r in rows)
    named = sum(r.is_named for r in rows)
    shared = sum(r.shared for r in rows)
    lines.append(
        f"{right} of {len(rows)} faults as expected, {named} causes named first, in {took_s / 60:.1f} min, {jobs} labs"
        f" at a time; {shared} trials shared a lab that stood in service"
    )
    return "\n".join(lines)
