"""What the carrier's core is told: who may use what, how the cell is heard, what its link gives. Layer: stand-in, data.

Not here: what it makes of it (machine.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from emulators.common import radio


@dataclass(frozen=True, slots=True)
class Credentials:
    method: str
    user: str
    password: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class ApnRecord:
    name: str
    auth: Credentials | None
    mtu: int


@dataclass(frozen=True, slots=True)
class Subscriber:
    imsi: str
    active: bool
    roaming_allowed: bool
    apns: tuple[ApnRecord, ...]


@dataclass(frozen=True, slots=True)
class CellFigures:
    rsrp_dbm: float
    rsrq_db: float
    sinr_db: float


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """0 bit/s is no limit. Delay, jitter and loss hold for each direction by itself; `burst_packets`: see shaper.py."""

    down_bps: int
    up_bps: int
    delay_ms: float
    jitter_ms: float
    loss_pct: float
    burst_packets: float = 1.0

    def uplink(self) -> radio.UplinkShape:
        return radio.UplinkShape(self.up_bps or None, self.delay_ms, self.jitter_ms, self.loss_pct, self.burst_packets)


@dataclass(frozen=True, slots=True)
class Congestion:
    """`at`: ``attach`` or ``connection``, what is refused. `backoff_s`: T3346 or T3396, which is sent with it."""

    at: str
    backoff_s: float


@dataclass(frozen=True, slots=True)
class Settings:
    plmn: str
    pool: str
    gateway: str
    subscribers: tuple[Subscriber, ...]
    cell: CellFigures
    link: LinkFigures
