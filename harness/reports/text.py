"""Stages and findings as plain text, 80 columns, no colour needed. Layer: reports, pure.

One line a stage: mark, name, what was seen, time against budget. Below a stage that is not a pass: what was expected,
what was seen, and the numbers of the observations it rests on (`number` in tape.jsonl).
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence

from harness.core.model import Finding, Outcome, StageResult, Verdict
from harness.core.verdict import find_worst
from harness.reports.escape import escape

WIDTH = 80
_BREAKS = re.compile(r"[\t\n\v\f\r]")
MARKS: dict[Outcome, str] = {"PASS": "ok", "FAIL": "FAIL", "NOT_APPLICABLE": "n/a", "INCONCLUSIVE": "open"}


def stage_line(stage: StageResult) -> str:
    """Return a stage's one line."""
    took = f"{stage.took_s:.2f} s of {stage.budget_s:g}" if stage.took_s is not None else f"-- of {stage.budget_s:g} s"
    return _line(stage.outcome, stage.stage, stage.summary, took)


def check_lines(name: str, findings: Sequence[Finding]) -> str:
    """Return one line for a check, and below it each of its claims that did not hold."""
    worst = find_worst(f.outcome for f in findings)
    held = sum(f.outcome == "PASS" for f in findings)
    text = f"{held} of {len(findings)} claims hold"
    if worst == "NOT_APPLICABLE" or (held == 0 and len(findings) == 1):
        text = findings[0].seen
    open_ones = [f for f in findings if f.outcome not in ("PASS", "NOT_APPLICABLE")]
    blocked = len(findings) == 1 and findings[0].outcome == "INCONCLUSIVE"
    return "\n".join([_line(worst, name, text, ""), *(explain_finding(f) for f in open_ones if not blocked)])


def explain_stage(stage: StageResult) -> str:
    """Return the findings of a stage that are not a pass, several lines; empty when all passed."""
    return "\n".join(explain_finding(f) for f in stage.findings if f.outcome not in ("PASS", "NOT_APPLICABLE"))


def explain_finding(finding: Finding) -> str:
    """Return claim, expected, seen and evidence, one below the other."""
    rows = [("claim", finding.claim), ("expected", finding.expected), ("seen", finding.seen)]
    if finding.evidence:
        rows.append(("evidence", "observations " + ", ".join(map(str, finding.evidence[-8:]))))
    return "\n".join(_field(name, text) for name, text in rows if text)


def render_verdict(verdict: Verdict, name: str, took_s: float) -> str:
    """Return the closing lines: the word, what it counts, how long it took."""
    passed = sum(s.outcome == "PASS" for s in verdict.stages)
    judged = [f for f in verdict.checks if f.outcome != "NOT_APPLICABLE"]
    held = sum(f.outcome == "PASS" for f in judged)
    word = "PROVEN" if verdict.proven else "NOT PROVEN"
    if since := verdict.facts.get("since"):
        word += f" from {since} on, resumed"  # what is before was not run again
    if verdict.proven and (until := verdict.facts.get("until")):
        word += f" as far as {until}"  # what comes after was not tried
    if verdict.proven and (left_out := verdict.facts.get("left_out")):
        word += f" but for {', '.join(left_out) if len(left_out) <= 3 else f'{len(left_out)} checks'}, left out"
    counts = f"{passed} of {len(verdict.stages)} stages, {held} of {len(judged)} checks"
    return f"{word}  {escape(name)}: {counts}, {took_s:.1f} s"


def render_stages(stages: Iterable[StageResult]) -> str:
    """Return all stages' lines with their explanations."""
    lines: list[str] = []
    for stage in stages:
        lines.append(stage_line(stage))
        if stage.outcome not in ("PASS", "NOT_APPLICABLE"):
            lines += filter(None, [explain_stage(stage)])
    return "\n".join(lines)


def _line(outcome: Outcome, name: str, text: str, right: str) -> str:
    left = f"  {MARKS[outcome]:<4}  {name:<{13 if right else 28}} "
    room = WIDTH - len(left) - (len(right) + 2 if right else 0)
    first, *rest = _wrap(text, room) or [""]
    more = _wrap(" ".join(rest), WIDTH - len(left)) if rest else []
    head = f"{left}{first:<{room}}  {right}" if right else left + first
    return "\n".join([head.rstrip(), *(" " * len(left) + line for line in more)])


def _wrap(text: str, width: int) -> list[str]:
    shown = escape(_BREAKS.sub(" ", text))  # what was seen may hold anything, and this goes to a terminal
    return textwrap.wrap(shown, width, break_on_hyphens=False)  # names and identifiers stay whole


def _field(name: str, text: str) -> str:
    head = f"          {name:<9} "
    body = _wrap(text, WIDTH - len(head)) or [""]
    return "\n".join((head if i == 0 else " " * len(head)) + part for i, part in enumerate(body))
