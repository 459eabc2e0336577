"""The shapes of a story. Layer: story, pure; standard library only.

Instants are seconds from power-on (`at_s`, `since_s`), lengths are seconds too. Every text is as it was seen: whoever
shows it escapes it for where it is shown. `to_json` of `emulators.common.record` gives the JSON form of any of these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from harness.core.model import Finding, Outcome
from harness.core.steps import StepState

LaneName = Literal["device", "clients", "carrier", "internet", "management", "hq"]
Decision = Literal["ship", "do not ship", "undecided"]
"""What a manager is told: proven whole; something failed; or neither, since not all was tried or could be judged."""


@dataclass(frozen=True, slots=True)
class StageView:
    """A stage. `started_s` None: not begun. `took_s` None: not reached."""

    name: str
    title: str
    witness: str
    outcome: Outcome
    state: StepState
    started_s: float | None
    took_s: float | None
    budget_s: float
    summary: str
    findings: tuple[Finding, ...]
    evidence: tuple[int, ...]
    """Numbers of the observations that decided it, as in tape.jsonl."""


@dataclass(frozen=True, slots=True)
class CheckView:
    """A check with its claims. `outcome` is the worst of theirs."""

    name: str
    title: str
    after: str
    outcome: Outcome
    started_s: float | None
    took_s: float | None
    findings: tuple[Finding, ...]
    clauses: tuple[str, ...]
    """Clauses that it gives evidence for under this plan: see harness.core.clauses."""


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened: timeline.Entry, from power-on, in its lane. `at_s` is below zero for what came before.
    `number`: of the observation, None for a log line, a packet or a stage's boundary. `pointer`: where to look in the
    run's folder. `decides`: the stage it decided, or empty."""

    at_s: float
    lane: LaneName | Literal["stages"]
    node: str
    kind: str
    text: str
    pointer: str
    stage: str
    number: int | None
    decides: str


@dataclass(frozen=True, slots=True)
class Lane:
    name: LaneName
    title: str
    nodes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of one state. `until_s` None: to the end of the run."""

    since_s: float
    until_s: float | None
    state: Literal["up", "down"]
    why: str


@dataclass(frozen=True, slots=True)
class Part:
    """A node, or what joins two of them, with what was up when. A part without spans was never seen."""

    name: str
    title: str
    kind: Literal["node", "link", "tunnel"]
    ends: tuple[str, ...]
    """Names of the two nodes that a link or tunnel joins; empty for a node."""
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """Who could open what to whom: one cell of the reach matrix."""

    source: str
    target: str
    expected: str
    seen: str
    outcome: Outcome
    evidence: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Reach:
    """Sources and targets in the order in which they are shown. A pair without a cell was not meant to be tried."""

    sources: tuple[str, ...]
    targets: tuple[str, ...]
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class ClauseView:
    """A clause with the checks that bear on it. `outcome`: the worst of those that show anything."""

    clause: str
    title: str
    outcome: Outcome
    checks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """A quantity over the run. `points`: (seconds from power-on, value). `limit`: what the profile asks, or None."""

    name: str
    title: str
    unit: str
    points: tuple[tuple[float, float], ...]
    limit: float | None
    limit_text: str


@dataclass(frozen=True, slots=True)
class CauseView:
    """A cause that the diagnosis names. `grounds`, `against`: (in words, numbers of the observations)."""

    name: str
    title: str
    sentence: str
    tell_apart: str
    at_bench: str
    at_site: str
    grounds: tuple[tuple[str, tuple[int, ...]], ...]
    against: tuple[tuple[str, tuple[int, ...]], ...]


@dataclass(frozen=True, slots=True)
class Unproven:
    """What this run did not prove, and why: left out, not applicable here, not judged, or cut off by `until`."""

    what: str
    title: str
    outcome: Outcome
    why: str


@dataclass(frozen=True, slots=True)
class Story:
    """One run, told. `ended_s`: the last instant that the bench saw. `notes`: what could not be read or placed."""

    run: str
    """Name of the run's folder."""
    profile: str
    site: str
    pace: str
    decision: Decision
    proven: bool
    headline: str
    """The verdict in one sentence, qualifications included."""
    why: tuple[str, ...]
    """One sentence for each thing that the decision rests on: what failed first."""
    unproven: tuple[Unproven, ...]
    ended_s: float
    stages: tuple[StageView, ...]
    checks: tuple[CheckView, ...]
    lanes: tuple[Lane, ...]
    events: tuple[Event, ...]
    observations: tuple[Mapping[str, Any], ...]
    """Each observation as {source, part, kind, at_s, data}, by number: what an event's evidence opens."""
    parts: tuple[Part, ...]
    reach: Reach
    clauses: tuple[ClauseView, ...]
    series: tuple[Series, ...]
    is_diagnosed: bool
    """Whether the rule base was asked: not of a run that was broken off, or proven with nothing put upon it."""
    causes: tuple[CauseView, ...]
    faults: tuple[Mapping[str, Any], ...]
    """What was put upon the run on purpose, or empty: a run with faults proves nothing of a profile. One mapping each:
    `text` (as a command line has it), `name`, `title`, `family`, `cause`; and what came of the whole trial, as in
    faults.json: `outcome`, `expected`, `seen`."""
    facts: Mapping[str, Any]
    """Versions, digests, kernel means used, pace, as in verdict.json."""
    notes: tuple[str, ...]
    zero_wall_ns: int | None = None
    """Wall clock (CLOCK_REALTIME, nanoseconds) at power-on, by all but the router's; None where nobody else spoke."""
