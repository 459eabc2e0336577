"""The carrier's core: who may attach, who gets which address. Layer: stand-in, pure.

Refusals and their causes (TS 24.301 Annex A and B):

    attach   no such IMSI on record        EMM #8   (TS 29.272 Annex A: user unknown; from memory)
             subscription not active       EMM #7   EPS services not allowed
             abroad, roaming not agreed    EMM #13  Roaming not allowed in this tracking area
    PDN      PDN type IPv6 only            ESM #50  PDN type IPv4 only allowed
             APN that nobody has           ESM #27  Missing or unknown APN
             APN of others, not of this    ESM #33  Requested service option not subscribed
             wrong or missing credentials  ESM #29  User authentication failed
             pool used up                  ESM #26  Insufficient resources
             not attached                  ESM #31  Request rejected, unspecified

Outputs come in the order to be carried out: what a message sets off is witnessed before the message goes. A repeated
request gets the same answer again (datagrams are lost), and the same address. Chance comes in as `random_bytes`.

Not here: sockets, interfaces (main.py), NAT and resolver (gateway.py).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from emulators.common import radio
from emulators.common.causes import EMM_CAUSES, ESM_CAUSES
from emulators.common.identifiers import is_home

EMM_UNKNOWN, EMM_INACTIVE, EMM_NO_ROAMING = 8, 7, 13
ESM_NO_RESOURCES, ESM_UNKNOWN_APN, ESM_AUTH_FAILED, ESM_REJECTED, ESM_NOT_SUBSCRIBED = 26, 27, 29, 31, 33
ESM_REGULAR, ESM_IPV4_ONLY = 36, 50
FIRST_BEARER = 5  # EPS bearer identities run from 5 to 15: TS 24.007 clause 11.2.3.1.5
CHALLENGE_BYTES = 16  # RFC 1994 section 2.3: as long as the digest is fit
CELL = ("0001", "00000001")  # tracking area code and cell identity, as hex


@dataclass(frozen=True, slots=True)
class Send:
    message: radio.Message


@dataclass(frozen=True, slots=True)
class Emit:
    kind: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class BearersChanged:
    pass


@dataclass(frozen=True, slots=True)
class ShapeChanged:
    pass


Output = Send | Emit | BearersChanged | ShapeChanged


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
    """0 bit/s is no limit. Delay, jitter and loss hold for each direction by itself."""

    down_bps: int
    up_bps: int
    delay_ms: float
    jitter_ms: float
    loss_pct: float

    def uplink(self) -> radio.UplinkShape:
        return radio.UplinkShape(self.up_bps or None, self.delay_ms, self.jitter_ms, self.loss_pct)


@dataclass(frozen=True, slots=True)
class Settings:
    plmn: str
    pool: str
    gateway: str
    subscribers: tuple[Subscriber, ...]
    cell: CellFigures
    link: LinkFigures


@dataclass(frozen=True, slots=True)
class Grant:
    """A PDN connection that stands. `up_teid` is the carrier's, `down_teid` the modem's."""

    imsi: str
    apn: ApnRecord
    address: str
    up_teid: int
    down_teid: int
    pti: int


@dataclass(frozen=True, slots=True)
class _Challenge:
    request: radio.PdnConnectivityRequest
    identifier: int
    value: bytes


class Carrier:
    """One cell, one core, one modem on the radio link at a time."""

    def __init__(self, settings: Settings, random_bytes: Callable[[int], bytes]) -> None:
        self._settings, self._random = settings, random_bytes
        self.cell, self.link = settings.cell, settings.link
        self.subscribers = {s.imsi: s for s in settings.subscribers}
        self._attached: Subscriber | None = None
        self.grant: Grant | None = None
        self._addresses: dict[str, str] = {}
        """IMSI to address: a device that comes back gets its own again."""
        self._challenge: _Challenge | None = None
        self._identifier = 0
        self._next_teid = 1

    # ------------------------------------------------------------ orders

    def set_cell(self, cell: CellFigures) -> list[Output]:
        """The radio conditions changed; the modem is told at once."""
        self.cell = cell
        return [Send(self._describe_cell())]

    def set_link(self, link: LinkFigures) -> list[Output]:
        """Rates, delay or loss changed, for both directions."""
        self.link = link
        return [ShapeChanged(), Send(radio.Reconfiguration(link.uplink()))]

    # ------------------------------------------------------------ messages

    def on_message(self, message: radio.Message) -> list[Output]:
        """Answer one message from the modem."""
        outputs: list[Output] = []
        match message:
            case radio.CellSearch():
                outputs = [Send(self._describe_cell())]
            case radio.AttachRequest():
                outputs = self._on_attach(message)
            case radio.DetachRequest():
                outputs = [*self._forget(), Send(radio.DetachAccept())]
            case radio.PdnConnectivityRequest():
                outputs = self._on_pdn_request(message)
            case radio.EsmInformationResponse():
                outputs = self._on_chap(message)
            case radio.PdnDisconnectRequest() if self.grant and message.bearer_id == FIRST_BEARER:
                self.grant = None
                outputs = [BearersChanged(), Send(radio.DeactivateBearer(message.bearer_id, ESM_REGULAR))]
        return outputs

    def _describe_cell(self) -> radio.Cell:
        return radio.Cell(self._settings.plmn, *CELL, self.cell.rsrp_dbm, self.cell.rsrq_db, self.cell.sinr_db)

    def _on_attach(self, message: radio.AttachRequest) -> list[Output]:
        subscriber = self.subscribers.get(message.imsi)
        home = is_home(message.imsi, self._settings.plmn)
        cause = None
        if subscriber is None:
            cause = EMM_UNKNOWN
        elif not subscriber.active:
            cause = EMM_INACTIVE
        elif not home and not subscriber.roaming_allowed:
            cause = EMM_NO_ROAMING
        gone = self._forget()
        if cause is not None:
            refusal = {"imsi": message.imsi, "cause": cause, "cause_name": EMM_CAUSES[cause]}
            return [*gone, Emit("attach.refused", refusal), Send(radio.AttachReject(cause))]
        self._attached = subscriber
        return [*gone, Emit("attach.accepted", {"imsi": message.imsi}), Send(radio.AttachAccept(not home))]

    def _forget(self) -> list[Output]:
        had, self.grant, self._attached, self._challenge = self.grant, None, None, None
        return [BearersChanged()] if had else []

    def _on_pdn_request(self, message: radio.PdnConnectivityRequest) -> list[Output]:
        if self.grant and self.grant.pti == message.pti:
            return [Send(self._activation(self.grant))]  # our answer was lost
        apn = self._find_apn(message)
        if isinstance(apn, int):
            return self._refuse(message, apn)
        auth = apn.auth
        if auth is not None and auth.method == message.auth == "chap":
            return self._challenge_for(message)
        right = auth and auth.method == message.auth and message.pap == radio.PapCredentials(auth.user, auth.password)
        if auth is None or right:
            return self._accept(message, apn)
        return self._refuse(message, ESM_AUTH_FAILED)

    def _find_apn(self, message: radio.PdnConnectivityRequest) -> ApnRecord | int:
        """Return the record of the APN asked for (empty: the first), or the ESM cause that refuses it."""
        if self._attached is None:
            return ESM_REJECTED
        if message.pdn_type == "IPV6":
            return ESM_IPV4_ONLY
        wanted = message.apn.lower()  # TS 23.003 clause 9.1: letter case does not matter
        for apn in self._attached.apns:
            if wanted in ("", apn.name.lower()):
                return apn
        known = {apn.name.lower() for s in self.subscribers.values() for apn in s.apns}
        return ESM_NOT_SUBSCRIBED if wanted in known else ESM_UNKNOWN_APN

    def _challenge_for(self, message: radio.PdnConnectivityRequest) -> list[Output]:
        if self._challenge is None or self._challenge.request.pti != message.pti:
            self._identifier = self._identifier % 255 + 1
            self._challenge = _Challenge(message, self._identifier, self._random(CHALLENGE_BYTES))
        ask = self._challenge
        name = f"gateway.{self._settings.plmn}"
        return [Send(radio.EsmInformationRequest(message.pti, ask.identifier, ask.value.hex(), name))]

    def _on_chap(self, message: radio.EsmInformationResponse) -> list[Output]:
        ask = self._challenge
        if ask is None or (message.pti, message.identifier) != (ask.request.pti, ask.identifier):
            return []
        self._challenge = None  # RFC 1994 section 4.1: a challenge is used once
        apn = self._find_apn(ask.request)
        if isinstance(apn, int) or apn.auth is None:
            return self._refuse(ask.request, ESM_REJECTED)
        try:
            response = bytes.fromhex(message.response)
        except ValueError:
            response = b""
        right = radio.chap_matches(ask.identifier, apn.auth.password, ask.value, response)
        if not right or message.name != apn.auth.user:
            return self._refuse(ask.request, ESM_AUTH_FAILED)
        return self._accept(ask.request, apn)

    # ------------------------------------------------------------ answers

    def _refuse(self, message: radio.PdnConnectivityRequest, cause: int) -> list[Output]:
        imsi = self._attached.imsi if self._attached else None
        refusal = {"imsi": imsi, "apn": message.apn, "cause": cause, "cause_name": ESM_CAUSES[cause]}
        return [Emit("pdn.refused", refusal), Send(radio.PdnConnectivityReject(message.pti, cause))]

    def _accept(self, message: radio.PdnConnectivityRequest, apn: ApnRecord) -> list[Output]:
        assert self._attached is not None
        imsi = self._attached.imsi
        address = self._addresses.get(imsi) or self._free_address()
        if address is None:
            return self._refuse(message, ESM_NO_RESOURCES)
        self._addresses[imsi] = address
        up_teid, down_teid = self._next_teid, self._next_teid + 1
        self._next_teid += 2
        self.grant = Grant(imsi, apn, address, up_teid, down_teid, message.pti)
        fact = {"imsi": imsi, "apn": apn.name, "address": address, "mtu": apn.mtu, "dns": [self._settings.gateway]}
        signal = {"rsrp_dbm": self.cell.rsrp_dbm, "rsrq_db": self.cell.rsrq_db, "sinr_db": self.cell.sinr_db}
        return [BearersChanged(), Emit("pdn.granted", fact | signal), Send(self._activation(self.grant))]

    def _activation(self, grant: Grant) -> radio.ActivateDefaultBearer:
        gateway = self._settings.gateway
        return radio.ActivateDefaultBearer(
            pti=grant.pti,
            bearer_id=FIRST_BEARER,
            apn=grant.apn.name,
            address=grant.address,
            gateway=gateway,
            dns=(gateway,),
            mtu=grant.apn.mtu,
            uplink_teid=grant.up_teid,
            downlink_teid=grant.down_teid,
            shape=self.link.uplink(),
        )

    def _free_address(self) -> str | None:
        taken = {*self._addresses.values(), self._settings.gateway}
        hosts = ipaddress.IPv4Network(self._settings.pool).hosts()
        return next((str(host) for host in hosts if str(host) not in taken), None)
