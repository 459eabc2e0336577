"""The configuration document that the management server serves and the router applies. Layer: shared, pure.

It is the `configuration` of RFC 8572's onboarding information (a binary leaf whose content that RFC leaves open): this
bench's own JSON document. Secrets stand in it in clear, as they must for a device: it travels only inside TLS, and its
digest, never its text, is evidence. Addresses are dotted IPv4; networks are CIDR; `ports` are LAN port numbers from 1.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Literal

from emulators.common.controls import (
    OPEN,
    Admission,
    Alerts,
    Applications,
    Lockout,
    Passwords,
    Qos,
    Reach,
    Threats,
    WebFilter,
)
from emulators.common.record import from_json, to_json

UplinkKind = Literal["cellular", "ethernet"]


@dataclass(frozen=True, slots=True)
class DhcpRange:
    first: str
    last: str
    lease_s: int


@dataclass(frozen=True, slots=True)
class Segment:
    """One LAN segment. `address` is the router's own, with prefix length. `reach`: what its clients may open, and
    where. `isolated`: clients of the segment do not reach each other. `verify_sources`: packets with a source that is
    none of the segment's are dropped (RFC 2827)."""

    name: str
    vlan: int
    ports: tuple[int, ...]
    address: str
    dhcp: DhcpRange
    reach: tuple[Reach, ...]
    isolated: bool = False
    admission: Admission = OPEN
    verify_sources: bool = True


@dataclass(frozen=True, slots=True)
class Health:
    """How an uplink's health is judged: ICMP echo to `target` each `interval_s`; `failures` in a row mean down."""

    target: str
    interval_s: float
    failures: int


@dataclass(frozen=True, slots=True)
class Uplinks:
    order: tuple[UplinkKind, ...]
    health: Health | None


@dataclass(frozen=True, slots=True)
class Tunnel:
    """The IKEv2 tunnel. Proposals are in strongSwan's keyword form. With method ``psk``, `psk` is the key; with
    ``certificate``, PEM texts. `remote_ca_pem` checks the gateway's certificate."""

    gateway: str
    local_id: str
    remote_id: str
    ike_proposals: tuple[str, ...]
    esp_proposals: tuple[str, ...]
    local_subnets: tuple[str, ...]
    remote_subnets: tuple[str, ...]
    dpd_s: int
    method: Literal["psk", "certificate"]
    psk: str | None = None
    certificate_pem: str | None = None
    key_pem: str | None = None
    remote_ca_pem: str | None = None


@dataclass(frozen=True, slots=True)
class Logging:
    """`ca_pem` checks the server's certificate with transport ``tls`` (RFC 5425)."""

    server: str
    port: int
    transport: Literal["udp", "tcp", "tls"]
    least: Literal["emerg", "alert", "crit", "err", "warning", "notice", "info", "debug"]
    ca_pem: str | None = None
    buffer_messages: int = 10_000
    """Messages kept while the server cannot be reached; the oldest go first."""


@dataclass(frozen=True, slots=True)
class SnmpUser:
    """An SNMPv3 user (RFC 3414, RFC 7860): authPriv only."""

    name: str
    auth: Literal["sha", "sha256", "sha512"]
    auth_key: str
    priv: Literal["aes128"]
    priv_key: str


@dataclass(frozen=True, slots=True)
class Monitoring:
    """SNMPv3 reads, accepted only from the places in `reach_from`: segment names or ``hq``. `views`: the object
    identifiers (dotted) under which everything may be read, and nothing else."""

    users: tuple[SnmpUser, ...]
    reach_from: tuple[str, ...]
    location: str
    contact: str
    views: tuple[str, ...] = ("1.3.6.1.2.1",)


@dataclass(frozen=True, slots=True)
class Administration:
    """SSH for one operator account, only from `reach_from` (segment names or ``hq``; empty: nowhere), by key, and by
    password where one is given. `password` is the first one: it opens nothing but the change to another."""

    user: str
    public_keys: tuple[str, ...]
    reach_from: tuple[str, ...]
    password: str | None = None
    lockout: Lockout | None = None
    passwords: Passwords | None = None


@dataclass(frozen=True, slots=True)
class Radius:
    """The server that admission asks (RFC 2865). `secret` is shared with it."""

    server: str
    port: int
    secret: str


@dataclass(frozen=True, slots=True)
class Management:
    """Where heartbeats go after bootstrap, how often, and how long the device waits for management to answer over the
    new configuration before it goes back to the last good one."""

    servers: tuple[str, ...]
    heartbeat_s: float
    confirm_s: float


@dataclass(frozen=True, slots=True)
class DeviceConfig:
    format: Literal[1]
    site: str
    hostname: str
    segments: tuple[Segment, ...]
    uplinks: Uplinks
    tunnel: Tunnel
    time_servers: tuple[str, ...]
    name_servers: tuple[str, ...]
    """Resolvers the branch uses; empty: those that the carrier or DHCP gave."""
    logging: Logging | None
    monitoring: Monitoring | None
    administration: Administration | None
    management: Management
    radius: Radius | None = None
    applications: Applications | None = None
    web_filter: WebFilter | None = None
    threats: Threats | None = None
    qos: Qos | None = None
    alerts: Alerts | None = None


def render_config(config: DeviceConfig) -> bytes:
    """Return the document's bytes: canonical JSON (sorted keys, no spaces, UTF-8), so that equal means equal bytes."""
    return json.dumps(to_json(config), sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def parse_config(document: bytes) -> DeviceConfig:
    """Read a document. Raises: ValueError (RecordError where the shape is wrong)."""
    return from_json(DeviceConfig, json.loads(document.decode("utf-8")))


def digest_config(document: bytes) -> str:
    """Return the document's digest as lower-case hex SHA-256."""
    return hashlib.sha256(document).hexdigest()
