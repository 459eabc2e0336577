"""The nouns of the house: Plan, Observation, Action, Finding, StageResult, Verdict. Layer: core, pure.

A Plan is total and data only: with a tape it replays on any machine. It never holds a secret's value, only where the
value is to be found (`SecretRef`). Lengths of time are seconds (`_s`). Not here: the sections of the branch itself
(sections.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from harness.core.sections import Apn, Branch, SecretRef

Pace = Literal["fast", "field"]
Outcome = Literal["PASS", "FAIL", "NOT_APPLICABLE", "INCONCLUSIVE"]


# ---------------------------------------------------------------- the plan


@dataclass(frozen=True, slots=True)
class HardwareClass:
    """What the router is made of. Waits are the field's; `Plan.waits` holds those that this run uses."""

    name: str
    lan_ports: int
    sim_slots: int
    ethernet_wan: bool
    slot_bytes: int
    """Size of one firmware slot."""
    image_bytes: int
    """Size of a release image (the bench pads its own to this)."""
    factory_release: str
    clock_at_power_on: str
    """RFC 3339: what the clock without a battery shows when power comes on."""


@dataclass(frozen=True, slots=True)
class Waits:
    """The hardware's own waits: the only things that the pace changes."""

    boot_s: float
    modem_registration_s: float
    flash_write_s: float
    trial_s: float = 900.0
    """How long the boot loader waits for a new release to say that it is well."""


@dataclass(frozen=True, slots=True)
class CarrierRecord:
    """What the carrier has on record for the SIM (what was ordered, and what the site survey measured)."""

    active: bool
    apns: tuple[Apn, ...]
    mtu: int
    rsrp_dbm: float
    rsrq_db: float
    sinr_db: float
    down_bps: int
    up_bps: int
    delay_ms: float
    jitter_ms: float
    loss_pct: float
    pin: SecretRef | None = None
    """PIN that the cards were delivered with, where it is not the one that the profile tells the device."""


@dataclass(frozen=True, slots=True)
class InventoryRecord:
    """What the management server was told beforehand. `claimed` false: it was never told."""

    claimed: bool
    serial: str
    mac: str
    owner: str
    profile: str


@dataclass(frozen=True, slots=True)
class HeadquartersRecord:
    """What the HQ gateway expects of this branch."""

    psk: SecretRef | None
    ike_proposals: tuple[str, ...]
    esp_proposals: tuple[str, ...]
    branch_subnets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FirmwareRecord:
    """What lies in the firmware store. `damage`: ``corrupted`` flips a byte of the image after hashing."""

    damage: Literal["none", "corrupted"] = "none"


@dataclass(frozen=True, slots=True)
class Records:
    """What others know of the site, each from its own paper: where it differs from the profile, staging fails."""

    carrier: CarrierRecord
    inventory: InventoryRecord
    headquarters: HeadquartersRecord
    firmware: FirmwareRecord = FirmwareRecord()


@dataclass(frozen=True, slots=True)
class Plan:
    format: Literal[1]
    branch: Branch
    hardware: HardwareClass
    waits: Waits
    pace: Pace
    records: Records
    profile_digest: str
    """SHA-256 (hex) of the profile and sites files as read."""
    until: str | None = None
    """Name of the last stage to run; None runs all."""
    since: str | None = None
    """Name of the stage with which a resumed run began: those before it were reached in the run that it goes on from.
    None: from power-on."""
    doubted: tuple[str, ...] = ()
    """Stages before `since` of which a claim did not hold in that run."""
    only: tuple[str, ...] = ()
    """Names of the checks to run; empty runs all."""
    skip: tuple[str, ...] = ()
    """Names of the checks to leave out."""
    soak: bool = False
    """Wait out what takes long (the length of a block) instead of reading it from the device."""

    def leaves_out(self, check: str) -> bool:
        """Say whether whoever runs the plan does not want that check."""
        return check in self.skip or (bool(self.only) and check not in self.only)


# ---------------------------------------------------------------- what is seen and done


@dataclass(frozen=True, slots=True)
class Observation:
    """Something a node saw. `at_ns` is the node's kernel's monotonic clock brought into the harness's domain;
    `received_ns` is when the harness had it. `wall_ns` is the emitting process's own CLOCK_REALTIME."""

    source: str
    part: str
    kind: str
    at_ns: int
    received_ns: int
    wall_ns: int
    seq: int
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PowerOn:
    """Give the router power (start its container). Answered by its console's events."""

    verb: Literal["power_on"] = "power_on"


@dataclass(frozen=True, slots=True)
class PowerCut:
    """Take the router's power, as a pulled plug does. `PowerOn` gives it again."""

    verb: Literal["power_cut"] = "power_cut"


@dataclass(frozen=True, slots=True)
class Plug:
    """Take the cable of one of the router's links out of where it is, and plug it in where another link is. Nothing
    answers it; it is done before whatever is asked for after it."""

    link: str
    into: str
    """Name of a link; the link's own puts the cable back."""
    verb: Literal["plug"] = "plug"


@dataclass(frozen=True, slots=True)
class Ask:
    """Send a command to a node. Its answer is an observation of kind ``command.done`` whose data carries `label`."""

    node: str
    ask: str
    args: Mapping[str, Any]
    label: str
    verb: Literal["ask"] = "ask"


Action = PowerOn | PowerCut | Plug | Ask


@dataclass(frozen=True, slots=True)
class TapeEntry:
    """One input to the machine. `now_ns` is the harness's clock when it was fed; `number` counts observations from 0:
    it is what a finding's evidence names."""

    kind: Literal["start", "observation", "tick"]
    now_ns: int
    observation: Observation | None = None
    number: int | None = None


# ---------------------------------------------------------------- what is concluded


@dataclass(frozen=True, slots=True)
class Finding:
    """One claim judged. `evidence` are observations' numbers on the tape; a FAIL has some, or says why not."""

    check: str
    outcome: Outcome
    claim: str
    expected: str
    seen: str
    evidence: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class StageResult:
    """`took_s` is from the stage before to this one's witness; None when it was not reached."""

    stage: str
    outcome: Outcome
    took_s: float | None
    budget_s: float
    summary: str
    findings: tuple[Finding, ...]
    evidence: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Verdict:
    """`proven` only when every stage and check of the plan passed or did not apply."""

    proven: bool
    stages: tuple[StageResult, ...]
    checks: tuple[Finding, ...]
    facts: Mapping[str, Any]
    """What the run was made with: pace, kernel means used, versions, digests."""
