"""The carrier's core: who may attach, who gets which address. Layer: stand-in, pure.

Refusals and their causes (TS 24.301 Annex A and B):

    attach   no such IMSI on record        EMM #8   (TS 29.272 Annex A: user unknown; from memory)
             subscription not active       EMM #7   EPS services not allowed
             abroad, roaming not agreed    EMM #13  Roaming not allowed in this tracking area (or another of its kind)
             congested                     EMM #22  Congestion, with T3346 (clause 5.5.1.2.5)
    PDN      PDN type IPv6 only            ESM #50  PDN type IPv4 only allowed
             APN that nobody has           ESM #27  Missing or unknown APN
             APN of others, not of this    ESM #33  Requested service option not subscribed
             wrong or missing credentials  ESM #29  User authentication failed
             pool used up                  ESM #26  Insufficient resources
             congested                     ESM #26  likewise, with T3396 (clause 6.5.1.4.2)
             not attached                  ESM #31  Request rejected, unspecified

Outputs come in the order to be carried out: what a message sets off is witnessed before the message goes. A repeated
request gets the same answer again (datagrams are lost), and the same address. Chance comes in as `random_bytes`.

Not here: sockets, interfaces (main.py), NAT and resolver (gateway.py), what it is told (records.py).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from emulators.carrier.records import (
    ApnRecord,
    CellFigures,
    Congestion,
    Credentials,
    LinkFigures,
    Settings,
    Subscriber,
)
from emulators.common import radio
from emulators.common.causes import EMM_CAUSES, ESM_CAUSES
from emulators.common.identifiers import is_home

__all__ = ["ApnRecord", "Carrier", "CellFigures", "Congestion", "Credentials", "LinkFigures", "Settings", "Subscriber"]

EMM_UNKNOWN, EMM_INACTIVE, EMM_NO_ROAMING, EMM_CONGESTION = 8, 7, 13, 22
ESM_NO_RESOURCES, ESM_UNKNOWN_APN, ESM_AUTH_FAILED, ESM_REJECTED, ESM_NOT_SUBSCRIBED = 26, 27, 29, 31, 33
ESM_REGULAR, ESM_REACTIVATE, ESM_IPV4_ONLY = 36, 39, 50
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
        self._imsi: str | None = None
        """Who is attached. What is on record of him is looked up anew each time, as it is pushed to a real core: TS
        29.272 clause 5.2.2.1 (Insert Subscriber Data; from memory)."""
        self.plmn, self.no_roaming_cause = settings.plmn, EMM_NO_ROAMING
        self.congestion: Congestion | None = None
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

    def detach(self) -> list[Output]:
        """Send an attached device away, and want it back ("re-attach required": TS 24.301 clause 5.5.2.3.1)."""
        return [] if self._imsi is None else [*self._forget(), Send(radio.DetachRequest())]

    def assign(self, address: str) -> dict[str, str]:
        """Give every subscriber this address from its next bearer on. Returns what each had."""
        before, self._addresses = self._addresses, {imsi: address for imsi in self.subscribers}
        return before

    def assign_all(self, addresses: dict[str, str]) -> None:
        """Give each subscriber its own address again from its next bearer on."""
        self._addresses = addresses

    def ask_to_reactivate(self) -> list[Output]:
        """Take the bearer away and have the device ask for another at once (TS 24.301 clause 6.4.4.2, ESM cause 39)."""
        had, self.grant = self.grant, None
        return [BearersChanged(), Send(radio.DeactivateBearer(FIRST_BEARER, ESM_REACTIVATE))] if had else []

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
        return radio.Cell(self.plmn, *CELL, self.cell.rsrp_dbm, self.cell.rsrq_db, self.cell.sinr_db)

    def _on_attach(self, message: radio.AttachRequest) -> list[Output]:
        home = is_home(message.imsi, self.plmn)
        gone = self._forget()
        refused = self._find_attach_refusal(message.imsi, home=home)
        if refused is not None:
            cause = refused.emm_cause
            refusal = {"imsi": message.imsi, "cause": cause, "cause_name": EMM_CAUSES[cause]}
            return [*gone, Emit("attach.refused", refusal), Send(refused)]
        self._imsi = message.imsi
        return [*gone, Emit("attach.accepted", {"imsi": message.imsi}), Send(radio.AttachAccept(not home))]

    def _find_attach_refusal(self, imsi: str, *, home: bool) -> radio.AttachReject | None:
        if self.congestion is not None and self.congestion.at == "attach":
            return radio.AttachReject(EMM_CONGESTION, t3346_s=self.congestion.backoff_s)
        subscriber = self.subscribers.get(imsi)
        if subscriber is None:
            return radio.AttachReject(EMM_UNKNOWN)
        if not subscriber.active:
            return radio.AttachReject(EMM_INACTIVE)
        if not home and not subscriber.roaming_allowed:
            return radio.AttachReject(self.no_roaming_cause)
        return None

    def _forget(self) -> list[Output]:
        had, self.grant, self._imsi, self._challenge = self.grant, None, None, None
        return [BearersChanged()] if had else []

    def _on_pdn_request(self, message: radio.PdnConnectivityRequest) -> list[Output]:
        if self.grant and self.grant.pti == message.pti:
            return [Send(self._activation(self.grant))]  # our answer was lost
        if self.congestion is not None and self.congestion.at == "connection":
            return self._refuse(message, ESM_NO_RESOURCES, self.congestion.backoff_s)
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
        subscriber = self.subscribers.get(self._imsi or "")
        if subscriber is None:
            return ESM_REJECTED
        if message.pdn_type == "IPV6":
            return ESM_IPV4_ONLY
        wanted = message.apn.lower()  # TS 23.003 clause 9.1: letter case does not matter
        for apn in subscriber.apns:
            if wanted in ("", apn.name.lower()):
                return apn
        known = {apn.name.lower() for s in self.subscribers.values() for apn in s.apns}
        return ESM_NOT_SUBSCRIBED if wanted in known else ESM_UNKNOWN_APN

    def _challenge_for(self, message: radio.PdnConnectivityRequest) -> list[Output]:
        if self._challenge is None or self._challenge.request.pti != message.pti:
            self._identifier = self._identifier % 255 + 1
            self._challenge = _Challenge(message, self._identifier, self._random(CHALLENGE_BYTES))
        ask = self._challenge
        name = f"gateway.{self.plmn}"
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

    def _refuse(self, message: radio.PdnConnectivityRequest, cause: int, t3396_s: float | None = None) -> list[Output]:
        refusal = {"imsi": self._imsi, "apn": message.apn, "cause": cause, "cause_name": ESM_CAUSES[cause]}
        return [Emit("pdn.refused", refusal), Send(radio.PdnConnectivityReject(message.pti, cause, t3396_s))]

    def _accept(self, message: radio.PdnConnectivityRequest, apn: ApnRecord) -> list[Output]:
        imsi = self._imsi
        assert imsi is not None
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
