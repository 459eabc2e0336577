"""The machine's notes on its steps, how they are laid out, and what a live view gets of them. Layer: core, pure.

Laws: stages come in their order and are cut at `Plan.until`; a check is laid out only where its stage is; a check's
timeout grows by what the plan's own intervals and soaks add. Not here: the rules of time (machine.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from harness.core.entries import LEFT_OUT, Answer, Check, Evidence, Seen, Stage
from harness.core.model import Finding, Plan, StageResult
from harness.core.timing import Window, to_s

StepState = Literal[
    "waiting", "running", "reached", "taken", "missed", "broken", "blocked", "judged", "timed_out", "set_aside"
]
"""`taken`: reached in the run that a resumed one goes on from (`Plan.since`), and not run again."""


@dataclass(frozen=True, slots=True)
class Progress:
    """One step for a live view. `took_s`: until a stage was reached or a check was over; None where it is not (yet)."""

    name: str
    title: str
    state: StepState
    started_ns: int | None
    took_s: float | None
    budget_s: float


@dataclass(frozen=True, slots=True)
class Running:
    """The step under way."""

    name: str
    since_ns: int
    budget_s: float


@dataclass(slots=True)
class Step:
    """The machine's notes on one stage or check."""

    entry: Stage | Check
    budget_s: float
    state: StepState = "waiting"
    window: Window | None = None
    met: dict[int, Seen] = field(default_factory=dict)
    labels: list[str] = field(default_factory=list)
    done_actions: set[str] = field(default_factory=set)
    scanned: int = 0
    reached_ns: int | None = None
    closed_ns: int | None = None
    blocked_by: str = ""
    settled: bool = False
    result: StageResult | None = None
    findings: tuple[Finding, ...] = ()


def show(step: Step) -> Progress:
    """Return a step as a live view has it."""
    started_ns = step.window.opens_ns if step.window is not None and step.state != "blocked" else None
    ended_ns = step.reached_ns if isinstance(step.entry, Stage) else step.closed_ns
    took_s = None if ended_ns is None or started_ns is None else to_s(ended_ns - started_ns)
    return Progress(step.entry.name, step.entry.title, step.state, started_ns, took_s, step.budget_s)


# ---------------------------------------------------------------- laying out


def lay_out_stages(plan: Plan, stages: Sequence[Stage]) -> list[Step]:
    """Return the plan's stages in order, up to where it ends. Raises: ValueError for an end or start that is none."""
    chosen = _cut(stages, plan.until)
    if plan.since is not None and plan.since not in {s.name for s in chosen}:
        raise ValueError(f"plan.since: expected one of {', '.join(s.name for s in chosen)}, saw {plan.since!r}")
    budgets = plan.branch.acceptance.budgets_s
    return [Step(s, float(budgets[s.name])) for s in chosen]


def lay_out_checks(plan: Plan, stages: Sequence[Step], checks: Sequence[Check]) -> list[Step]:
    """Return the checks that come after one of these stages, in the order given."""
    names = {s.entry.name for s in stages}
    return [Step(c, _find_timeout_s(plan, c)) for c in checks if c.after in names]


def _cut(stages: Sequence[Stage], until: str | None) -> list[Stage]:
    ordered = sorted(stages, key=lambda s: s.order)
    if until is None:
        return ordered
    names = [s.name for s in ordered]
    if until not in names:
        raise ValueError(f"plan.until: expected one of {', '.join(names)}, saw {until!r}")
    return ordered[: names.index(until) + 1]


def _find_timeout_s(plan: Plan, check: Check) -> float:
    applies = check.why_not(plan) is None
    return check.timeout_s + (check.adds_s(plan) if applies else 0.0) + (check.soak_s(plan) if plan.soak else 0.0)


# ---------------------------------------------------------------- questions about a step


def get_check(step: Step) -> Check:
    """Return the check that a step is; it is our own bug where it is a stage."""
    assert isinstance(step.entry, Check)
    return step.entry


def find_reason(plan: Plan, check: Check) -> str | None:
    """Return why a check is not run, or None: it was left out on request, or does not apply to the plan."""
    if plan.leaves_out(check.name):
        return LEFT_OUT
    return check.why_not(plan)


def list_open_labels(step: Step, known: Evidence) -> list[str]:
    """Return the asks of a step that have no answer yet."""
    return [label for label in step.labels if known.find_answer(label) is None]


def find_last_answer_ns(step: Step, known: Evidence) -> int:
    """Return when the last answer to a step's asks was given; 0 where there is none."""
    answers = (known.find_answer(label) for label in step.labels)
    return max((a.seen.at_ns for a in answers if a is not None), default=0)


def find_failed_answer(step: Step, known: Evidence) -> Answer | None:
    """Return the answer to the first of a step's asks that did not do its work, or None."""
    answers = (known.find_answer(label) for label in step.labels)
    return next((a for a in answers if a is not None and not a.ok), None)
