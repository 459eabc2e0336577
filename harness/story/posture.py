"""Stages, checks and clauses, each with what became of it. Layer: story, pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from harness.core.clauses import CLAUSES
from harness.core.machine import RunMachine
from harness.core.model import Finding, Plan, Verdict
from harness.core.registry import load_checks, load_stages
from harness.core.steps import Progress
from harness.core.timing import to_s
from harness.core.verdict import find_worst
from harness.reports.clauses import Run, gather
from harness.story.model import CheckView, ClauseView, StageView


def view_stages(machine: RunMachine, zero_ns: int) -> tuple[StageView, ...]:
    """Return the plan's stages in order."""
    entries = {s.name: s for s in load_stages()}
    return tuple(
        StageView(
            name=step.name,
            title=step.title,
            witness=entries[step.name].witness,
            outcome=result.outcome,
            state=step.state,
            started_s=_start(step, zero_ns),
            took_s=result.took_s,
            budget_s=step.budget_s,
            summary=result.summary,
            findings=result.findings,
            evidence=result.evidence,
        )
        for step, result in zip(machine.progress, machine.results(), strict=True)
    )


def view_checks(machine: RunMachine, zero_ns: int) -> tuple[CheckView, ...]:
    """Return the checks of the plan in order, each with its claims."""
    entries = {c.name: c for c in load_checks()}
    claims = group(machine.findings())
    bearing = list_bearing(machine.plan)
    views = []
    for step in machine.check_progress:
        findings = claims.get(step.name, ())
        views.append(
            CheckView(
                name=step.name,
                title=step.title,
                after=entries[step.name].after,
                outcome=find_worst(f.outcome for f in findings),
                started_s=_start(step, zero_ns),
                took_s=None if step.state == "set_aside" else step.took_s,
                findings=tuple(findings),
                clauses=bearing[step.name],
            )
        )
    return tuple(views)


def view_clauses(plan: Plan, verdict: Verdict) -> tuple[ClauseView, ...]:
    """Return every clause of the table in its order; one that nothing bears on has no checks."""
    gathered = gather([Run("", verdict, list_bearing(plan))])
    views = []
    for clause, listed in gathered.items():
        showing = [e.outcome for e in listed if e.shows]
        outcome = find_worst(showing or [e.outcome for e in listed])
        views.append(ClauseView(clause, CLAUSES[clause], outcome, tuple(e.check for e in listed)))
    return tuple(views)


def list_bearing(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return each check's clauses that it gives evidence for under a plan."""
    return {c.name: tuple(one for one in c.clauses if c.bears_on(plan, one)) for c in load_checks()}


def group(findings: Iterable[Finding]) -> Mapping[str, Sequence[Finding]]:
    """Return findings by their check."""
    found: dict[str, list[Finding]] = {}
    for finding in findings:
        found.setdefault(finding.check, []).append(finding)
    return found


def _start(step: Progress, zero_ns: int) -> float | None:
    return None if step.started_ns is None or step.state == "set_aside" else to_s(step.started_ns - zero_ns)
