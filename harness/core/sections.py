"""One site's branch, section by section: profile and site merged. Layer: core, pure.

The sections of a plan's `Branch`, data only. The controls' records are those of `emulators.common.controls`, which plan
and device share. Addresses are dotted IPv4 text, networks CIDR text, lengths of time seconds (`_s`). Not here: the plan
around it and what others know of the site (model.py), what a file may say (profile/schema.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from emulators.common.controls import (
    OPEN,
    Admission,
    Alerts,
    Applications,
    Lockout,
    Operators,
    Passwords,
    Qos,
    Reach,
    Threats,
    WebFilter,
)

UplinkKind = Literal["cellular", "ethernet"]


@dataclass(frozen=True, slots=True)
class SecretRef:
    """Where a secret is: ``env:NAME`` or ``file:PATH`` (path relative to the file that names it, made absolute)."""

    ref: str


@dataclass(frozen=True, slots=True)
class ApnAuth:
    method: Literal["pap", "chap"]
    user: str
    password: SecretRef


@dataclass(frozen=True, slots=True)
class Apn:
    name: str
    auth: ApnAuth | None = None


@dataclass(frozen=True, slots=True)
class Sim:
    """One SIM slot: what the profile tells the device of it, and the card that the site got."""

    slot: int
    iccid: str
    imsi: str
    apns: tuple[Apn, ...]
    pin: SecretRef | None = None


@dataclass(frozen=True, slots=True)
class BootstrapServer:
    address: str
    port: int


@dataclass(frozen=True, slots=True)
class DhcpRange:
    first: str
    last: str
    lease_s: int


@dataclass(frozen=True, slots=True)
class Segment:
    name: str
    vlan: int
    ports: tuple[int, ...]
    address: str
    """The router's own address in the segment, with prefix length."""
    dhcp: DhcpRange
    reach: tuple[Reach, ...]
    isolated: bool
    admission: Admission = OPEN
    verify_sources: bool = True
    """Packets with a source that is none of the segment's are dropped (RFC 2827)."""

    def may_reach(self, place: str) -> bool:
        """Say whether clients here may open anything at a place."""
        return any(row.to == place for row in self.reach)


@dataclass(frozen=True, slots=True)
class Health:
    target: str
    interval_s: float
    failures: int


@dataclass(frozen=True, slots=True)
class Tunnel:
    gateway: str
    local_id: str
    remote_id: str
    ike_proposals: tuple[str, ...]
    esp_proposals: tuple[str, ...]
    local_subnets: tuple[str, ...]
    remote_subnets: tuple[str, ...]
    dpd_s: int
    method: Literal["psk", "certificate"]
    psk: SecretRef | None


@dataclass(frozen=True, slots=True)
class Logging:
    server: str
    port: int
    transport: Literal["udp", "tcp", "tls"]
    least: str
    within_s: float = 5.0
    """Seconds from the cause to the message at HQ, while the tunnel is up."""
    buffer_messages: int = 10_000
    """Messages that the device keeps while the server cannot be reached."""


@dataclass(frozen=True, slots=True)
class SnmpUser:
    name: str
    auth: Literal["sha", "sha256", "sha512"]
    auth_key: SecretRef
    priv: Literal["aes128"]
    priv_key: SecretRef


@dataclass(frozen=True, slots=True)
class Monitoring:
    users: tuple[SnmpUser, ...]
    reach_from: tuple[str, ...]
    location: str
    contact: str
    views: tuple[str, ...] = ("1.3.6.1.2.1",)
    """Object identifiers under which everything may be read, and nothing else."""


@dataclass(frozen=True, slots=True)
class Administration:
    """The operator's key pair, and the first password, are made for the run; the public half and the password go into
    the device's configuration. `methods`: how the operator may log in."""

    user: str
    reach_from: tuple[str, ...]
    methods: tuple[Literal["key", "password"], ...] = ("key",)
    lockout: Lockout | None = None
    passwords: Passwords | None = None


@dataclass(frozen=True, slots=True)
class Radius:
    """The server at headquarters that admission asks (RFC 2865)."""

    server: str
    port: int
    secret: SecretRef


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What the branch must reach. `budgets_s`: stage name to seconds."""

    budgets_s: Mapping[str, float]
    ping_target: str
    ping_count: int
    ping_loss_pct: float
    ping_rtt_ms: float
    transfer_bytes: int


@dataclass(frozen=True, slots=True)
class Branch:
    """One site's branch, whole: profile and site merged."""

    profile: str
    site: str
    owner: str
    hostname: str
    serial: str
    mac: str
    release: str
    sims: tuple[Sim, ...]
    uplinks: tuple[UplinkKind, ...]
    health: Health | None
    bootstrap: tuple[BootstrapServer, ...]
    segments: tuple[Segment, ...]
    tunnel: Tunnel
    time_servers: tuple[str, ...]
    name_servers: tuple[str, ...]
    logging: Logging | None
    monitoring: Monitoring | None
    administration: Administration | None
    heartbeat_s: float
    confirm_s: float
    acceptance: Acceptance
    radius: Radius | None = None
    applications: Applications | None = None
    web_filter: WebFilter | None = None
    threats: Threats | None = None
    qos: Qos | None = None
    alerts: Alerts | None = None
    operators: Operators | None = None
