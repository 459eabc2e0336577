"""The machine's notes on its steps, and what a live view gets of them. Layer: core, pure.

Not here: the rules (machine.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from harness.core.entries import Check, Seen, Stage
from harness.core.model import Finding, StageResult
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
