"""What a profile may say of the branch itself, section by section: the pydantic models. Layer: profile, pure.

Strict: an unknown key, ``"3"`` or ``true`` for a number, and 1.10 for a text are errors. Units are in the names.
Defaults are those of the trade and documented at each field. Not here: the controls' sections (schema_controls.py),
what takes two fields to judge (crosscheck.py), the file as a whole (schema.py).
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from harness.profile.fields import (
    Address,
    Apn,
    Host,
    Identity,
    Line,
    Login,
    Network,
    Oid,
    Proposal,
    Seconds,
    Secret,
    SegmentName,
    TcpUdpPort,
)
from harness.profile.schema_controls import Admission, Lockout, Passwords, Reach
from harness.profile.strict import Strict


class ApnAuth(Strict):
    method: Literal["pap", "chap"]
    """How the network authenticates the device: PAP (RFC 1334 §2) or CHAP (RFC 1994)."""
    user: Line
    """User name that the carrier gave for this APN."""
    password: Secret
    """Where the password is: env:NAME or file:PATH."""


class ApnEntry(Strict):
    name: Apn
    """Access point name (3GPP TS 23.003 clause 9)."""
    auth: ApnAuth | None = None
    """Credentials for this APN; leave out where the carrier asks for none."""


class Sim(Strict):
    slot: Annotated[int, Field(ge=1, le=8)]
    """SIM slot, counted from 1."""
    pin: Secret | None = None
    """Where the PIN is (4 to 8 digits in it); leave out where the card asks for none."""
    apns: Annotated[tuple[ApnEntry, ...], Field(min_length=1, max_length=16)]
    """Access points in the order in which the device tries them."""


class Health(Strict):
    target: Address
    """IPv4 address that answers ICMP echo, reachable over every uplink."""
    interval_s: Seconds
    """Seconds between two echoes."""
    failures: Annotated[int, Field(ge=1, le=100)]
    """Echoes lost in a row that mean the uplink is down."""


class Uplinks(Strict):
    order: Annotated[tuple[Literal["cellular", "ethernet"], ...], Field(min_length=1, max_length=2)]
    """Uplinks, the preferred one first."""
    health: Health | None = None
    """How an uplink's health is judged; left out, only loss of link or of the bearer counts."""


class BootstrapServer(Strict):
    address: Host
    """Host name or IPv4 address of a bootstrap server (RFC 8572)."""
    port: TcpUdpPort = 443
    """TCP port; 443 unless given."""


class DhcpRange(Strict):
    first_host: Annotated[int, Field(ge=1, json_schema_extra={"minimum": 2})]
    """First leased address, as host number within the segment's subnet (host 1 is the router)."""
    last_host: Annotated[int, Field(ge=2)]
    """Last leased address, as host number within the segment's subnet."""
    lease_s: Annotated[int, Field(ge=60, le=2_592_000)]
    """Lease time in seconds."""


class Segment(Strict):
    name: SegmentName
    """Name, used in `reach`, in `tunnel.local_segments` and in each site's `subnets`."""
    vlan: Annotated[int, Field(ge=1, le=4094)]
    """VLAN id (IEEE 802.1Q: 1 to 4094)."""
    ports: Annotated[tuple[Annotated[int, Field(ge=1)], ...], Field(min_length=1)]
    """LAN ports of this segment, untagged, counted from 1."""
    subnet: Network | None = None
    """Subnet where a site names none of its own. The router has its first host address."""
    dhcp: DhcpRange
    """Range of leased addresses."""
    reach: tuple[Reach, ...] = ()
    """Where clients here may open what: other segments, `hq` (through the tunnel), `internet`. A name opens all."""
    isolated: bool = False
    """True: clients of this segment do not reach each other."""
    verify_sources: bool = True
    """True: what comes with a source that is none of the segment's is dropped (RFC 2827)."""
    admission: Admission = Admission()
    """Who may use the segment's ports."""


class TunnelAuth(Strict):
    method: Literal["psk", "certificate"]
    """Pre-shared key, or certificates (made by the bench's own authority for the run)."""
    psk: Secret | None = None
    """Where the pre-shared key is; only with method psk."""

    @model_validator(mode="after")
    def _check_psk(self) -> Self:
        if (self.method == "psk") != (self.psk is not None):
            raise ValueError("method psk needs `psk`, method certificate takes none")
        return self


class Tunnel(Strict):
    gateway: Host
    """Host name or IPv4 address of the headquarters' IKEv2 gateway."""
    local_id: Identity
    """The branch's IKE identity; {site} and {hostname} are filled in per site."""
    remote_id: Identity
    """The gateway's IKE identity."""
    auth: TunnelAuth
    """How branch and gateway authenticate each other."""
    ike_proposals: Annotated[tuple[Proposal, ...], Field(min_length=1, max_length=8)]
    """IKE SA proposals, best first, such as aes256gcm16-prfsha384-ecp256."""
    esp_proposals: Annotated[tuple[Proposal, ...], Field(min_length=1, max_length=8)]
    """Child SA proposals, best first, such as aes256gcm16-ecp256 or aes256-sha256-ecp256."""
    local_segments: Annotated[tuple[str, ...], Field(min_length=1)]
    """Segments whose subnets are the branch's traffic selectors."""
    remote_subnets: Annotated[tuple[Network, ...], Field(min_length=1)]
    """Headquarters' subnets: the gateway's traffic selectors."""
    dpd_s: Annotated[int, Field(ge=1, le=3600)] = 10
    """Seconds without traffic after which the peer is asked whether it lives (RFC 7296 §2.4)."""


class Logging(Strict):
    server: Host
    """Syslog server (RFC 5424)."""
    port: TcpUdpPort | None = None
    """Port; 514 by UDP (RFC 5426 §3.3) and by TCP, 6514 by TLS (RFC 5425 §4.1) unless given."""
    transport: Literal["udp", "tcp", "tls"] = "udp"
    """UDP (RFC 5426), TCP with octet counting (RFC 6587), or TLS (RFC 5425)."""
    least: Literal["emerg", "alert", "crit", "err", "warning", "notice", "info", "debug"] = "info"
    """Least severity that is sent (RFC 5424 §6.2.1)."""
    within_s: Seconds = 5.0
    """Seconds within which a message is at the server while there is a way to it."""


class SnmpUser(Strict):
    name: Login
    """SNMPv3 user name."""
    auth: Literal["sha", "sha256", "sha512"] = "sha256"
    """Authentication: SHA-1 (RFC 3414) or SHA-2 (RFC 7860)."""
    auth_key: Secret
    """Where the authentication password is: at least 8 characters (RFC 3414 §11.2)."""
    priv: Literal["aes128"] = "aes128"
    """Encryption: AES-128 in CFB mode (RFC 3826)."""
    priv_key: Secret
    """Where the privacy password is: at least 8 characters (RFC 3414 §11.2)."""


class Monitoring(Strict):
    users: Annotated[tuple[SnmpUser, ...], Field(min_length=1, max_length=8)]
    """SNMPv3 users, read only, always with authentication and encryption."""
    reach_from: Annotated[tuple[str, ...], Field(min_length=1)]
    """From where SNMP is answered: segments, or `hq`."""
    contact: Line
    """Whom to ask: the sysContact object (RFC 3418)."""
    views: Annotated[tuple[Oid, ...], Field(min_length=1, max_length=16)] = ("1.3.6.1.2.1",)
    """Object identifiers under which the users may read, and nothing else; mib-2 unless given."""


class Administration(Strict):
    user: Login
    """The operator's account for SSH; its key and its first password are made for the run."""
    reach_from: Annotated[tuple[str, ...], Field(min_length=1)]
    """From where SSH is answered: segments, or `hq`."""
    methods: Annotated[tuple[Literal["key", "password"], ...], Field(min_length=1, max_length=2)] = ("key",)
    """How the operator may log in: by public key, by password."""
    lockout: Lockout | None = None
    """When failed log-ins block their source; left out: never."""
    passwords: Passwords | None = None
    """What a new password must be; left out: anything."""


class Management(Strict):
    heartbeat_s: Seconds
    """Seconds between two heartbeats to the management server."""
    confirm_s: Seconds
    """Seconds that a new configuration has to reach management, before the last good one comes back."""
