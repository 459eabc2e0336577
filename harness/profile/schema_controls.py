"""What a profile may say of the branch's controls: the pydantic models of those sections. Layer: profile, pure.

Each section's `build` gives the record of emulators.common.controls that plan and device share. What takes two values
to judge is in controlcheck.py. Defaults are documented at each field.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from emulators.common import controls
from harness.profile.fields import (
    DnsName,
    Host,
    HttpsUrl,
    Line,
    Mac,
    Name,
    Place,
    Seconds,
    Secret,
    Service,
    TcpUdpPort,
    WebhookUrl,
)
from harness.profile.strict import Strict

Rate = Annotated[int, Field(ge=8_000, le=10_000_000_000)]


class Reach(Strict):
    to: Place
    """Another segment, `hq` (through the tunnel) or `internet`."""
    open: Annotated[tuple[Service, ...], Field(min_length=1, max_length=64)] = (controls.ANY,)
    """Services that may be opened there: any, icmp, tcp/PORT, udp/PORT."""

    @model_validator(mode="before")
    @classmethod
    def _take_name(cls, given: Any) -> Any:
        """A mere name is a row that opens all. (Behind a validator of this kind, JSON's lists are no tuples yet.)"""
        if isinstance(given, dict):
            return {key: tuple(value) if isinstance(value, list) else value for key, value in given.items()}
        return {"to": given} if isinstance(given, str) else given

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """Return what an editor is told: a name, or the whole row."""
        return {**handler.resolve_ref_schema(handler(core)), "type": ["string", "object"]}


class Admission(Strict):
    method: Literal["open", "mac", "dot1x"] = "open"
    """Who may use the ports: anybody, the MAC addresses listed, or whoever passes IEEE 802.1X."""
    eap: tuple[Literal["tls", "peap"], ...] = ()
    """EAP methods that are accepted with dot1x: tls (RFC 5216), peap (with MSCHAPv2)."""
    macs: Annotated[tuple[Mac, ...], Field(max_length=64)] = ()
    """Addresses that are let in with mac."""
    refused: Place = "deny"
    """Where a device that fails lands: deny (nowhere), or a segment."""
    unreachable: Literal["deny", "admit"] = "deny"
    """What becomes of a new device while the RADIUS server does not answer."""

    def build(self) -> controls.Admission:
        macs = tuple(mac.lower() for mac in self.macs)
        return controls.Admission(self.method, self.eap, macs, self.refused, self.unreachable)


class Radius(Strict):
    server: Host
    """RADIUS server (RFC 2865), behind the tunnel."""
    port: TcpUdpPort = 1812
    """UDP port: 1812 (RFC 2865 §3) unless given."""
    secret: Secret
    """Where the shared secret is."""


class Lockout(Strict):
    failures: Annotated[int, Field(ge=1, le=100)]
    """Failed log-ins from one source that block it."""
    within_s: Seconds = 300.0
    """Seconds within which they are counted."""
    block_s: Seconds
    """Seconds that the block lasts."""

    def build(self) -> controls.Lockout:
        return controls.Lockout(self.failures, float(self.within_s), float(self.block_s))


Needs = Literal["letter", "digit"]


class OwnPasswords(Strict):
    least: Annotated[int, Field(ge=1, le=64)]
    """Fewest characters of a password."""
    most: Annotated[int, Field(ge=8, le=256)] = 64
    """Length that must be taken at least."""
    needs: tuple[Needs, ...] = ()
    """Kinds of character that must occur."""
    refuse_last: Annotated[int, Field(ge=0, le=24)] = 0
    """Earlier passwords that are not taken again."""
    refuse_common: bool = True
    """Whether words of a list of common passwords are refused."""


class Passwords(Strict):
    policy: Literal["pci-dss-4", "nist-sp-800-63b", "own"]
    """Whose rules: PCI DSS 4.0.1 (8.3.6, 8.3.7), NIST SP 800-63B (§5.1.1.2), or those under `own`."""
    own: OwnPasswords | None = None
    """The rules of policy own."""

    def build(self) -> controls.Passwords:
        if self.own is not None:
            own = self.own
            return controls.Passwords(
                "own", own.least, own.most, own.needs, own.refuse_last, own.refuse_common
            )  # fmt: skip
        return NAMED_POLICIES[self.policy]


NAMED_POLICIES = {
    # 8.3.6: at least 12 characters, numeric and alphabetic; 8.3.7: none of the last four. The length that must be taken
    # and the list of common passwords are not PCI's: common practice, no source.
    "pci-dss-4": controls.Passwords("pci-dss-4", 12, 64, ("letter", "digit"), 4, True),
    # Section 5.1.1.2: at least 8 characters, at least 64 permitted, no rules of composition, compared with a list of
    # common ones. It asks for no history.
    "nist-sp-800-63b": controls.Passwords("nist-sp-800-63b", 8, 64, (), 0, True),
}


class Application(Strict):
    name: Name
    """What people call it."""
    by: Literal["tls", "dns", "port"]
    """Known by TLS server name (RFC 6066 §3), by the addresses that DNS gives for its names, or by port alone."""
    names: Annotated[tuple[DnsName, ...], Field(max_length=64)] = ()
    """Server names; a leading dot means sub-domains too."""
    open: Annotated[tuple[Service, ...], Field(min_length=1, max_length=16)]
    """Its services: tcp/PORT, udp/PORT."""


class Applications(Strict):
    segments: Annotated[tuple[str, ...], Field(min_length=1)]
    """Segments whose clients may use on the internet what is allowed here, and nothing else."""
    allowed: Annotated[tuple[Application, ...], Field(min_length=1, max_length=64)]
    """The applications."""

    def build(self) -> controls.Applications:
        allowed = (controls.Application(a.name, a.by, a.open, tuple(n.lower() for n in a.names)) for a in self.allowed)
        return controls.Applications(self.segments, tuple(allowed))


class WebCategory(Strict):
    name: Name
    """What people call the kind of site."""
    names: Annotated[tuple[DnsName, ...], Field(min_length=1, max_length=1000)]
    """Names that are not given out, nor are their sub-domains."""


class WebFilter(Strict):
    segments: Annotated[tuple[str, ...], Field(min_length=1)]
    """Segments whose clients are filtered, and must use the router's resolver."""
    blocked: Annotated[tuple[WebCategory, ...], Field(min_length=1, max_length=64)]
    """What is blocked, by category."""
    answer: Literal["nxdomain", "refused"] = "nxdomain"
    """What a blocked name gets (RFC 1035 §4.1.1: response code 3 or 5)."""
    encrypted_resolvers: Annotated[tuple[Host, ...], Field(max_length=64)] = ()
    """Names of resolvers by HTTPS (RFC 8484) that clients must not reach."""

    def build(self) -> controls.WebFilter:
        blocked = (controls.WebCategory(c.name, tuple(n.lower() for n in c.names)) for c in self.blocked)
        return controls.WebFilter(self.segments, tuple(blocked), self.answer, self.encrypted_resolvers)


class Threats(Strict):
    segments: Annotated[tuple[str, ...], Field(min_length=1)]
    """Segments whose traffic is looked at."""
    signatures: Annotated[tuple[controls.Signature, ...], Field(min_length=1)]
    """Signatures of the device's set that are on."""
    action: Literal["alert", "drop"]
    """What is done: told, or told and dropped."""

    def build(self) -> controls.Threats:
        return controls.Threats(self.segments, self.signatures, self.action)


class QosClass(Strict):
    name: Name
    """What people call it."""
    dscp: Annotated[tuple[controls.Dscp, ...], Field(min_length=1)]
    """Code points of the class (RFC 4594 figure 3); df is whatever no class names."""
    guaranteed_bps: Rate
    """Rate that it gets whatever the others send, bit/s."""
    ceiling_bps: Rate
    """Rate that it gets at most, bit/s."""


class Qos(Strict):
    uplink_bps: Rate
    """Rate that the device sends at most, bit/s: below the uplink's, so that the queue is the device's own."""
    classes: Annotated[tuple[QosClass, ...], Field(min_length=2, max_length=8)]
    """Classes; the device's own control traffic goes with cs6, or else with the first. Rates count whole IP packets as
    they leave, with what the tunnel adds."""
    trusted: tuple[str, ...] = ()
    """Segments whose clients' code points are believed; those of others leave as df."""

    def build(self) -> controls.Qos:
        classes = (controls.QosClass(c.name, c.dscp, c.guaranteed_bps, c.ceiling_bps) for c in self.classes)
        return controls.Qos(self.uplink_bps, tuple(classes), self.trusted)


class AlertCondition(Strict):
    condition: controls.Condition
    """What is alerted."""
    within_s: Seconds
    """Seconds from the cause to the alert."""


class Alerts(Strict):
    webhook: WebhookUrl
    """Where the management server sends alerts (CloudEvents 1.0 over HTTP)."""
    conditions: Annotated[tuple[AlertCondition, ...], Field(min_length=1)]
    """What is alerted."""

    def build(self) -> controls.Alerts:
        conditions = (controls.AlertCondition(c.condition, float(c.within_s)) for c in self.conditions)
        return controls.Alerts(self.webhook, tuple(conditions))


class Operators(Strict):
    issuer: HttpsUrl
    """Issuer of the operators' tokens (OpenID Connect Core 1.0 §2, iss)."""
    audience: Line
    """Audience that a token must be made out for (aud)."""
    second_factor: bool = True
    """Whether a token must say that a second factor was used (amr, RFC 8176)."""

    def build(self) -> controls.Operators:
        return controls.Operators(self.issuer, self.audience, self.second_factor)
