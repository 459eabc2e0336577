"""Stages and findings as plain text, 80 columns, no colour needed. Layer: reports, pure.

One line a stage: mark, name, what was seen, time against budget. Below a stage that is not a pass: what was expected,
what was seen, and the numbers of the tape lines it rests on.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from harness.core.model import Finding, Outcome, StageResult, Verdict

WIDTH = 80
MARKS: dict[Outcome, str] = {"PASS": "ok", "FAIL": "FAIL", "NOT_APPLICABLE": "n/a", "INCONCLUSIVE": "open"}


def stage_line(stage: StageResult) -> str:
    """Return a stage's one line."""
    took = f"{stage.took_s:.2f} s of {stage.budget_s:g}" if stage.took_s is not None else f"-- of {stage.budget_s:g} s"
    return _line(stage.outcome, stage.stage, stage.summary, took)


def finding_line(finding: Finding) -> str:
    """Return a finding's one line."""
    return _line(finding.outcome, finding.check, finding.seen or finding.claim, "")


def explain_stage(stage: StageResult) -> str:
    """Return the findings of a stage that are not a pass, several lines; empty when all passed."""
    return "\n".join(explain_finding(f) for f in stage.findings if f.outcome not in ("PASS", "NOT_APPLICABLE"))


def explain_finding(finding: Finding) -> str:
    """Return claim, expected, seen and evidence, one below the other."""
    rows = [("claim", finding.claim), ("expected", finding.expected), ("seen", finding.seen)]
    if finding.evidence:
        rows.append(("evidence", "tape lines " + ", ".join(map(str, finding.evidence[-8:]))))
    return "\n".join(_field(name, text) for name, text in rows if text)


def render_verdict(verdict: Verdict, name: str, took_s: float) -> str:
    """Return the closing lines: the word, what it counts, how long it took."""
    passed = sum(s.outcome == "PASS" for s in verdict.stages)
    judged = [f for f in verdict.checks if f.outcome != "NOT_APPLICABLE"]
    held = sum(f.outcome == "PASS" for f in judged)
    word = "PROVEN" if verdict.proven else "NOT PROVEN"
    counts = f"{passed} of {len(verdict.stages)} stages, {held} of {len(judged)} checks"
    return f"{word}  {name}: {counts}, {took_s:.1f} s"


def render_stages(stages: Iterable[StageResult]) -> str:
    """Return all stages' lines with their explanations."""
    lines: list[str] = []
    for stage in stages:
        lines.append(stage_line(stage))
        if stage.outcome not in ("PASS", "NOT_APPLICABLE"):
            lines += filter(None, [explain_stage(stage)])
    return "\n".join(lines)


def _line(outcome: Outcome, name: str, text: str, right: str) -> str:
    left = f"  {MARKS[outcome]:<4}  {name:<13} "
    if len(name) > 13:
        left = f"  {MARKS[outcome]:<4}  {name} "
    room = WIDTH - len(left) - (len(right) + 2 if right else 0)
    first, *rest = textwrap.wrap(text, max(room, 20)) or [""]
    lines = [f"{left}{first:<{room}}  {right}".rstrip() if right else f"{left}{first}"]
    lines += [f"{'':<22}{more}" for chunk in rest for more in textwrap.wrap(chunk, WIDTH - 22)]
    return "\n".join(lines)


def _field(name: str, text: str) -> str:
    head = f"          {name:<9} "
    body = textwrap.wrap(text, WIDTH - len(head)) or [""]
    return "\n".join((head if i == 0 else " " * len(head)) + part for i, part in enumerate(body))
