"""The words and numbers of the page, for people. Layer: page, pure.

A status is a word and a shape (`MARKS`, symbols of templates/symbols.html); its colour only repeats it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from harness.core.model import Outcome
from harness.core.steps import StepState
from harness.reports.escape import escape
from harness.story.model import CheckView, Decision, Story, Unproven

OUTCOMES: Mapping[Outcome, str] = {
    "PASS": "holds",
    "FAIL": "fails",
    "INCONCLUSIVE": "open",
    "NOT_APPLICABLE": "does not apply",
}
MARKS: Mapping[Outcome, str] = {"PASS": "good", "FAIL": "bad", "INCONCLUSIVE": "open", "NOT_APPLICABLE": "na"}
DECISIONS: Mapping[Decision, tuple[str, str]] = {
    "ship": ("Ship", "good"),
    "do not ship": ("Do not ship", "bad"),
    "undecided": ("Undecided", "open"),
}
"""What is told, and its mark."""
STATES: Mapping[StepState, str] = {
    "waiting": "not begun",
    "running": "under way",
    "reached": "reached",
    "taken": "reached in the run before",
    "missed": "not reached in time",
    "broken": "could not be judged",
    "blocked": "blocked by an earlier stage",
    "judged": "judged",
    "timed_out": "not over in time",
    "set_aside": "set aside",
}
PATHS_OF_FACTS = 400
"""More single facts than a run has: what is beyond is counted, not shown."""


def tell_seconds(value: float | None) -> str:
    """Return a length or an instant as people read it; a dash where there is none."""
    if value is None:
        return "–"
    if abs(value) < 10:
        return f"{value:.2f} s"
    return f"{value:.1f} s" if abs(value) < 600 else f"{int(value // 60)} min {value % 60:.0f} s"


def tell_number(value: float) -> str:
    """Return a measured value with four digits that mean something."""
    return f"{value:.4g}" if abs(value) < 1e4 else f"{value:,.0f}"


def tell_date(story: Story) -> str:
    """Return the wall clock at power-on, as the bench's machine had it; empty where nobody said it."""
    if story.zero_wall_ns is None:
        return ""
    return datetime.fromtimestamp(story.zero_wall_ns / 1e9, UTC).strftime("%d %B %Y, %H:%M:%S UTC")


@dataclass(frozen=True, slots=True)
class Gap:
    """Things that were not proven for one and the same reason."""

    outcome: Outcome
    why: str
    titles: tuple[str, ...]


def group_unproven(unproven: Sequence[Unproven]) -> tuple[Gap, ...]:
    """Return what was not proven by outcome and reason: what is open before what does not apply."""
    found: dict[tuple[Outcome, str], list[str]] = {}
    for one in unproven:
        found.setdefault((one.outcome, one.why), []).append(one.title or one.what)
    rank = list(("FAIL", "INCONCLUSIVE", "PASS", "NOT_APPLICABLE"))
    groups = [Gap(outcome, why, tuple(titles)) for (outcome, why), titles in found.items()]
    return tuple(sorted(groups, key=lambda g: rank.index(g.outcome)))


def count_outcomes(outcomes: Sequence[Outcome]) -> str:
    """Return ``7 hold, 1 open``: what holds first."""
    words: Mapping[Outcome, str] = {**OUTCOMES, "PASS": "hold", "FAIL": "fail", "NOT_APPLICABLE": "do not apply"}
    counted = ((outcomes.count(o), word) for o, word in words.items())
    return ", ".join(f"{count} {word}" for count, word in counted if count) or "none"


def tell_held(check: CheckView) -> str:
    """Return how many of a check's claims hold."""
    judged = [f for f in check.findings if f.outcome != "NOT_APPLICABLE"]
    return f"{sum(f.outcome == 'PASS' for f in judged)} of {len(judged)}"


@dataclass(frozen=True, slots=True)
class Difference:
    """One row of the comparison: what it is of, and what each run says (None: that run has none)."""

    name: str
    title: str
    said: tuple[tuple[Outcome, str] | None, ...]


def compare_stages(stories: Sequence[Story]) -> tuple[Difference, ...]:
    """Return every stage of any run, in order, with what each run says of it."""
    titles = {s.name: s.title for story in stories for s in story.stages}
    said = [{s.name: (s.outcome, tell_seconds(s.took_s)) for s in story.stages} for story in stories]
    return tuple(Difference(n, t, tuple(s.get(n) for s in said)) for n, t in titles.items())


def compare_checks(stories: Sequence[Story]) -> tuple[Difference, ...]:
    """Return the checks whose outcome or count of claims is not the same in all runs."""
    titles = {c.name: c.title for story in stories for c in story.checks}
    said = [{c.name: (c.outcome, f"{tell_held(c)} claims") for c in story.checks} for story in stories]
    rows = (Difference(n, t, tuple(s.get(n) for s in said)) for n, t in titles.items())
    return tuple(row for row in rows if len(set(row.said)) > 1)


def list_means(facts: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """Return (node, what for, means, reason) of each; none where the facts are of another shape."""
    listed = facts.get("means")
    rows = [one for one in listed if isinstance(one, Mapping)] if isinstance(listed, list | tuple) else []
    return [(_tell(one, "node"), _tell(one, "what"), _tell(one, "means"), _tell(one, "reason")) for one in rows]


def _tell(row: Mapping[str, Any], key: str) -> str:
    return str(row.get(key, ""))


def capitalise(text: str) -> str:
    """Return a text as the beginning of a sentence; names within it stay as they are."""
    return text[:1].upper() + text[1:]


def flatten(facts: Any, path: str = "") -> list[tuple[str, str]]:
    """Return facts as (dotted path, value), at most PATHS_OF_FACTS of them and then how many more there are."""
    rows = _walk(facts, path)
    more = len(rows) - PATHS_OF_FACTS
    return rows if more <= 0 else [*rows[:PATHS_OF_FACTS], ("...", f"{more} more, in verdict.json")]


def _walk(value: Any, path: str) -> list[tuple[str, str]]:
    if isinstance(value, Mapping):
        return [row for key, inner in value.items() for row in _walk(inner, f"{path}.{key}" if path else str(key))]
    if isinstance(value, list | tuple):
        if all(isinstance(one, str | int | float) for one in value):
            return [(path, ", ".join(map(str, value)) or "none")]
        return [row for place, inner in enumerate(value, 1) for row in _walk(inner, f"{path}.{place}")]
    return [(path, "none" if value in (None, "") else str(value))]


def show_text(value: Any) -> Any:
    """Make what would not be seen visible; the finalize of every expression in a template.

    Markup of our own (which is a str that says `__html__`) passes; HTML is escaped afterwards, by the template.
    """
    return escape(value) if isinstance(value, str) and not hasattr(value, "__html__") else value
