"""What the page is sent: the whole picture at one instant. Layer: show, pure; data only.

Instants (`at_s`, `started_s`) are seconds from power-on, as in the reports, and never below 0; lengths are seconds too.
Every text is as it was seen, but for what would act or hide itself where it is shown: that is written out
(harness.reports.escape). `emulators.common.record.to_json` gives the JSON form.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.core.model import Outcome
from harness.core.steps import StepState

Mode = Literal["live", "replay"]
Phase = Literal["waiting", "building", "running", "paused", "over", "broken"]
Role = Literal["branch", "carrier", "internet", "management", "hq", "client"]
LinkState = Literal["dark", "up", "down"]
Light = Literal["off", "on", "blinking"]
LIGHTS = ("power", "signal", "online", "tunnel")


@dataclass(frozen=True, slots=True)
class StageScene:
    """`started_s` None: not begun. `took_s` None: not reached (yet)."""

    name: str
    title: str
    state: StepState
    started_s: float | None
    took_s: float | None
    budget_s: float
    summary: str


@dataclass(frozen=True, slots=True)
class CheckScene:
    """`outcome` None: not judged yet."""

    name: str
    title: str
    outcome: Outcome | None
    held: int
    claims: int


@dataclass(frozen=True, slots=True)
class NodeScene:
    """`last`: what it said last."""

    name: str
    title: str
    role: Role
    state: Literal["dark", "up"]
    last: str


@dataclass(frozen=True, slots=True)
class LinkScene:
    """`dark`: never seen up. `down`: was up."""

    name: str
    title: str
    ends: tuple[str, str]
    state: LinkState


@dataclass(frozen=True, slots=True)
class Lights:
    """What the device says of itself."""

    power: Light = "off"
    signal: Light = "off"
    online: Light = "off"
    tunnel: Light = "off"


@dataclass(frozen=True, slots=True)
class Signal:
    """As the device measures it; `sinr_db` as the carrier has it. `level`: 0 (none) to 4."""

    rsrp_dbm: float
    rsrq_db: float | None
    sinr_db: float | None
    level: int
    words: str


@dataclass(frozen=True, slots=True)
class FirstPing:
    """The first echo of a client that arrived at headquarters and was answered."""

    at_s: float
    rtt_ms: float


@dataclass(frozen=True, slots=True)
class Message:
    """Something that went from one node to another (or was said by one: then both are the same). `number`: of the
    observation, as in tape.jsonl; it rises."""

    at_s: float
    source: str
    target: str
    kind: str
    text: str
    number: int


@dataclass(frozen=True, slots=True)
class VerdictScene:
    proven: bool
    decision: str
    text: str


@dataclass(frozen=True, slots=True)
class CauseScene:
    title: str
    sentence: str
    at_site: str
    at_bench: str


@dataclass(frozen=True, slots=True)
class FaultScene:
    """`active`: put upon the run, or (before the start) chosen for it. `why_not`: why it cannot be now, or empty."""

    name: str
    title: str
    family: str
    cause: str
    active: bool
    why_not: str


@dataclass(frozen=True, slots=True)
class RunChoice:
    """A recorded run that may be opened. `chosen`: it is on."""

    name: str
    title: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class Scene:
    """`at_s`: the instant that is shown; `live_s`: the last one that there is (of a bench, now; of a saved tape, its
    end). `rate`: by how many seconds `at_s` moves in one second now, 0 while it stands."""

    mode: Mode
    run: str
    profile: str
    site: str
    pace: str
    at_s: float
    live_s: float
    rate: float
    phase: Phase
    hint: str
    stages: tuple[StageScene, ...]
    checks: tuple[CheckScene, ...]
    nodes: tuple[NodeScene, ...]
    links: tuple[LinkScene, ...]
    lights: Lights
    signal: Signal | None
    first_ping: FirstPing | None
    messages: tuple[Message, ...]
    headline: str
    verdict: VerdictScene | None
    causes: tuple[CauseScene, ...]
    faults: tuple[FaultScene, ...]
    acts: tuple[str, ...]
    speed: float
    even: bool
    """The presenter's pace: see harness.show.player."""
    pause_at_stages: bool
    runs: tuple[RunChoice, ...]
    format: Literal[1] = 1
