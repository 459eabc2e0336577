"""The controls of a branch, as the profile means them and the device is told them. Layer: shared, pure, data only.

The plan (harness.core.model) and the device's configuration (device_config.py) use the same records, so that there is
one word for one thing on both sides. No record here holds a secret. Names are the trade's: a *service* is ``any``,
``icmp``, ``tcp/PORT`` or ``udp/PORT``; a *place* is a segment's name, ``hq`` or ``internet``; rates are bits a second
(`_bps`), lengths of time seconds (`_s`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

OPERATORS_PORT = 8443
"""Where the management server's interface for operators listens; our own choice (IANA lists pcsync-https there)."""

ANY = "any"
"""The service that means all of TCP, UDP and ICMP."""

Dscp = Literal[
    "df", "cs1", "af11", "af12", "af13", "cs2", "af21", "af22", "af23", "cs3", "af31", "af32", "af33", "cs4", "af41",
    "af42", "af43", "cs5", "ef", "cs6",
]  # fmt: skip
"""Code points by the names of RFC 4594 figure 3."""
DSCP_VALUES: dict[str, int] = {
    "df": 0, "cs1": 8, "af11": 10, "af12": 12, "af13": 14, "cs2": 16, "af21": 18, "af22": 20, "af23": 22, "cs3": 24,
    "af31": 26, "af32": 28, "af33": 30, "cs4": 32, "af41": 34, "af42": 36, "af43": 38, "cs5": 40, "ef": 46, "cs6": 48,
}  # fmt: skip
"""RFC 2474, RFC 2597 (AFxy = 8x + 2y), RFC 3246 (EF 46); the list is RFC 4594 figure 3."""

Signature = Literal["test-file", "root-answer", "port-scan"]
"""What the device's signature set knows: harmless published test patterns, and a scan of ports."""
Condition = Literal["device_silent", "tunnel_down", "uplink_failover", "lockout", "threat"]


@dataclass(frozen=True, slots=True)
class Reach:
    """One row of the matrix: what clients of a segment may open at `to` (a place)."""

    to: str
    open: tuple[str, ...] = (ANY,)


@dataclass(frozen=True, slots=True)
class Admission:
    """Who may use a segment's ports. `open`: anybody; `mac`: the listed addresses; `dot1x`: IEEE 802.1X, by the EAP
    methods listed, asked of the branch's RADIUS server. `refused`: where a device that fails lands, ``deny`` (nowhere)
    or a segment's name. `unreachable`: what becomes of a new device while no RADIUS server answers."""

    method: Literal["open", "mac", "dot1x"] = "open"
    eap: tuple[Literal["tls", "peap"], ...] = ()
    macs: tuple[str, ...] = ()
    refused: str = "deny"
    unreachable: Literal["deny", "admit"] = "deny"


OPEN = Admission()
"""Admission of a segment that lets anybody in."""


@dataclass(frozen=True, slots=True)
class Lockout:
    """`failures` failed log-ins from one source within `within_s` block that source for `block_s`."""

    failures: int
    within_s: float
    block_s: float


@dataclass(frozen=True, slots=True)
class Passwords:
    """The rules that a new password must keep. `least` characters are demanded and `most` must be taken; `needs` are
    the kinds of character that must occur; `refuse_last`: as many earlier passwords are refused; `refuse_common`: words
    of a list of common passwords are refused."""

    policy: str
    least: int
    most: int
    needs: tuple[Literal["letter", "digit"], ...]
    refuse_last: int
    refuse_common: bool


@dataclass(frozen=True, slots=True)
class Application:
    """One allowed application. `by` says how it is known: by the TLS server name (RFC 6066 section 3), by the addresses
    that DNS gave for its names, or by port alone (`names` empty). A name with a leading dot means its sub-domains too.
    `open` are its services."""

    name: str
    by: Literal["tls", "dns", "port"]
    open: tuple[str, ...]
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Applications:
    """What clients of `segments` may use on the internet; all else is dropped."""

    segments: tuple[str, ...]
    allowed: tuple[Application, ...]


@dataclass(frozen=True, slots=True)
class WebCategory:
    name: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WebFilter:
    """Names that clients of `segments` are not given. A name means its sub-domains too. `answer`: what a blocked name
    gets. Clients must use the router's resolver: others on port 53 and 853 are refused, and so are the servers in
    `encrypted_resolvers` (names of DNS over HTTPS, RFC 8484)."""

    segments: tuple[str, ...]
    blocked: tuple[WebCategory, ...]
    answer: Literal["nxdomain", "refused"] = "nxdomain"
    encrypted_resolvers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Threats:
    """Detection on what `segments` exchange with other places. `action`: what is done with the bytes of a signature; a
    scan of ports is told, whatever it says."""

    segments: tuple[str, ...]
    signatures: tuple[Signature, ...]
    action: Literal["alert", "drop"]


@dataclass(frozen=True, slots=True)
class QosClass:
    """One class of the uplink. The class with ``df`` takes whatever no class names."""

    name: str
    dscp: tuple[Dscp, ...]
    guaranteed_bps: int
    ceiling_bps: int


@dataclass(frozen=True, slots=True)
class Qos:
    """The uplink's classes; the device's own control traffic goes with ``cs6``, or else with the first. `uplink_bps`:
    what the device sends at most, so that the queue is its own and not the carrier's. Rates count whole IP packets as
    they leave, with what the tunnel adds. `trusted`: segments whose clients' code points are believed, as far as a
    class names them; all else leaves as ``df``."""

    uplink_bps: int
    classes: tuple[QosClass, ...]
    trusted: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AlertCondition:
    """`within_s`: from the cause to the alert at the webhook."""

    condition: Condition
    within_s: float


@dataclass(frozen=True, slots=True)
class Alerts:
    """What the management server raises at `webhook` (a URL), as CloudEvents 1.0."""

    webhook: str
    conditions: tuple[AlertCondition, ...]


@dataclass(frozen=True, slots=True)
class Operators:
    """Who may use the management server's interface for operators: bearers of a token of `issuer` (OpenID Connect) made
    out for `audience`, with a second factor where `second_factor` says so."""

    issuer: str
    audience: str
    second_factor: bool
