"""Attach and PDN connectivity as the modem does them. Layer: modem hardware, pure (time is an argument, seconds).

Timers and counters are those of TS 24.301: T3410, T3411, T3402 and the attach attempt counter (Table 10.2.1, clause
5.5.1.2.6), T3482 (Table 10.3.1, clause 6.5.1.5). A refusal with a permanent cause ends the attempts until the radio or
the card's power is cycled (clause 5.5.1.2.5); any other cause counts as an attempt. Back-off timers that the network
sends are kept: T3346 for attaching (clause 5.5.1.2.5, #22), T3396 for one APN (clause 6.5.1.4.2, #26). Without a cell
<stat> is "unknown", as out of coverage (TS 27.007 clause 10.1.22).

Not here: AT commands (commands.py), message encoding (emulators/common/radio.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from emulators.common import radio
from emulators.common.causes import (
    CME_NETWORK_TIMEOUT,
    CME_NO_NETWORK_SERVICE,
    EMM_PERMANENT,
    ESM_NO_RESOURCES,
    cme_of_emm,
    cme_of_esm,
)

T3410_S, T3411_S, T3402_S = 15.0, 10.0, 720.0  # TS 24.301 Table 10.2.1
ATTACH_ATTEMPTS = 5  # clause 5.5.1.2.6
T3482_S, T3482_TRIES = 8.0, 5  # Table 10.3.1; clause 6.5.1.5: given up at the fifth expiry
SEARCH_PERIOD_S = 1.0  # how often the bench's modem looks for a cell, and
MEASURE_PERIOD_S = 5.0  # once it has one, measures it: the bench's own
LOST_AFTER_S = 20.0  # four measurements missed: the bench's own
ESM_REGULAR_DEACTIVATION = 36

# <stat> of +CEREG, TS 27.007 clause 10.1.22
IDLE, HOME, SEARCHING, DENIED, UNKNOWN, ROAMING = 0, 1, 2, 3, 4, 5


@dataclass(frozen=True, slots=True)
class Send:
    message: radio.Message


@dataclass(frozen=True, slots=True)
class RegistrationChanged:
    pass


@dataclass(frozen=True, slots=True)
class PdnUp:
    cid: int


@dataclass(frozen=True, slots=True)
class PdnRefused:
    cid: int
    cme: int


@dataclass(frozen=True, slots=True)
class PdnDown:
    cid: int
    by_network: bool


@dataclass(frozen=True, slots=True)
class ShapeChanged:
    pass


Effect = Send | RegistrationChanged | PdnUp | PdnRefused | PdnDown | ShapeChanged


@dataclass(frozen=True, slots=True)
class PdnRequest:
    """What +CGACT asks for. `auth` and the credentials are those of +CGAUTH."""

    cid: int
    apn: str
    pdn_type: str
    auth: str = "none"
    user: str = ""
    password: str = ""


class Nas:
    """The modem's side of the non-access stratum. `search_s`: how long the radio looks around before it camps."""

    def __init__(self, imei: str, search_s: float) -> None:
        self._imei, self._search_s = imei, search_s
        self.imsi: str | None = None
        self.stat, self.reject_cause = IDLE, 0
        self.cell: radio.Cell | None = None
        self.bearer: radio.ActivateDefaultBearer | None = None
        self.cid: int | None = None
        self._attempts = 0
        self._pti = 0
        self._request: PdnRequest | None = None
        self._request_sent = 0
        self._camp_at = self._seen_at = 0.0
        self._search_at: float | None = None
        self._attach_at: float | None = None
        self._t3410_at: float | None = None
        self._t3482_at: float | None = None
        self._t3396_at: dict[str, float] = {}

    @property
    def is_registered(self) -> bool:
        return self.stat in (HOME, ROAMING)

    def wake_at(self) -> float | None:
        """Return when `on_time` is due next."""
        times = (self._search_at, self._attach_at, self._t3410_at, self._t3482_at)
        return min((t for t in times if t is not None), default=None)

    # ------------------------------------------------------------ orders

    def start(self, imsi: str, now_s: float) -> list[Effect]:
        """Switch the radio on with this subscriber: search, camp, attach."""
        self.imsi, self._attempts = imsi, 0
        self._camp_at, self._search_at = now_s + self._search_s, now_s
        return [*self._become(SEARCHING, 0), *self.on_time(now_s)]

    def stop(self) -> list[Effect]:
        """Detach and switch the radio off."""
        effects: list[Effect] = [Send(radio.DetachRequest())] if self.is_registered else []
        effects += self._lose_bearer(by_network=False) + self._fail_request(CME_NO_NETWORK_SERVICE)
        self._search_at = self._attach_at = self._t3410_at = None
        self.imsi = self.cell = None
        return effects + self._become(IDLE, 0)

    def activate(self, request: PdnRequest, now_s: float) -> list[Effect]:
        """Ask for a PDN connection; attach first where need be. Ends in PdnUp or PdnRefused."""
        self._request, self._request_sent = request, 0
        if now_s < self._t3396_at.get(request.apn.lower(), 0.0):
            return self._fail_request(cme_of_esm(ESM_NO_RESOURCES))
        if self.is_registered:
            return self._send_request(now_s)
        if self.stat == DENIED:
            return self._fail_request(cme_of_emm(self.reject_cause))
        if self.imsi is None:
            return self._fail_request(CME_NO_NETWORK_SERVICE)
        return []

    def deactivate(self) -> list[Effect]:
        """Give the PDN connection back."""
        if self.bearer is None:
            return []
        self._pti = self._pti % 254 + 1
        message = radio.PdnDisconnectRequest(self._pti, self.bearer.bearer_id)
        return [Send(message), *self._lose_bearer(by_network=False)]

    # ------------------------------------------------------------ time

    def on_time(self, now_s: float) -> list[Effect]:
        """Do what is due."""
        effects: list[Effect] = []
        if self._search_at is not None and now_s >= self._search_at:
            effects += self._search(now_s)
        if self._attach_at is not None and now_s >= self._attach_at:
            self._attach_at = None
            effects += self._send_attach(now_s)
        if self._t3410_at is not None and now_s >= self._t3410_at:
            effects += self._count_attempt(self.reject_cause, now_s)
        if self._t3482_at is not None and now_s >= self._t3482_at:
            self._t3482_at = None
            if self._request_sent < T3482_TRIES:
                effects += self._send_request(now_s)
            else:
                effects += self._fail_request(CME_NETWORK_TIMEOUT)
        return effects

    def _search(self, now_s: float) -> list[Effect]:
        self._search_at = now_s + (SEARCH_PERIOD_S if self.cell is None else MEASURE_PERIOD_S)
        effects: list[Effect] = [Send(radio.CellSearch())]
        if self.cell is None and self.stat == SEARCHING and now_s - self._camp_at > LOST_AFTER_S:
            effects += self._become(UNKNOWN, 0)
        if self.cell is not None and now_s - self._seen_at > LOST_AFTER_S:
            self.cell = None
            self._attach_at = self._t3410_at = None
            self._attempts, self._camp_at = 0, now_s
            effects += [*self._lose_bearer(by_network=True), *self._become(UNKNOWN, 0)]
        return effects

    def _send_attach(self, now_s: float) -> list[Effect]:
        assert self.imsi is not None
        self._t3410_at = now_s + T3410_S
        return [*self._become(SEARCHING, self.reject_cause), Send(radio.AttachRequest(self.imsi, self._imei))]

    def _count_attempt(self, cause: int, now_s: float, t3402_s: float = T3402_S) -> list[Effect]:
        """An attach attempt came to nothing: T3411, or T3402 once the counter is full (clause 5.5.1.2.6)."""
        self._t3410_at = None
        self._attempts += 1
        if self._attempts < ATTACH_ATTEMPTS:
            self._attach_at = now_s + T3411_S
        else:
            self._attempts, self._attach_at = 0, now_s + t3402_s
        return self._become(SEARCHING, cause)

    # ------------------------------------------------------------ messages

    def on_message(self, message: radio.Message, now_s: float) -> list[Effect]:
        """Take a message from the carrier. What does not fit the state is left aside."""
        effects: list[Effect] = []
        match message:
            case radio.Cell():
                effects = self._on_cell(message, now_s)
            case radio.AttachAccept() if self._t3410_at is not None:
                self._t3410_at, self._attempts = None, 0
                effects = self._become(ROAMING if message.roaming else HOME, 0)
                effects += self._send_request(now_s) if self._request else []
            case radio.AttachReject() if self._t3410_at is not None:
                effects = self._on_attach_reject(message, now_s)
            case radio.DetachRequest():
                effects = self._on_detach(message, now_s)
            case radio.Reconfiguration() if self.bearer is not None:
                self.bearer = replace(self.bearer, shape=message.shape)
                effects = [ShapeChanged()]
            case radio.DeactivateBearer() if self.bearer and message.bearer_id == self.bearer.bearer_id:
                effects = self._lose_bearer(by_network=True)
            case radio.EsmInformationRequest() | radio.PdnConnectivityReject() | radio.ActivateDefaultBearer():
                effects = self._on_pdn(message, now_s)
        return effects

    def _on_cell(self, cell: radio.Cell, now_s: float) -> list[Effect]:
        if self.imsi is None:
            return []
        first = self.cell is None
        self.cell, self._seen_at = cell, now_s
        if first:
            self._attach_at = max(now_s, self._camp_at)
            self._search_at = now_s + MEASURE_PERIOD_S
            return self.on_time(now_s)
        return []

    def _on_attach_reject(self, message: radio.AttachReject, now_s: float) -> list[Effect]:
        if message.t3346_s:
            self._t3410_at, self._attempts, self._attach_at = None, 0, now_s + message.t3346_s
            return self._become(SEARCHING, message.emm_cause)
        if message.emm_cause not in EMM_PERMANENT:
            return self._count_attempt(message.emm_cause, now_s, message.t3402_s or T3402_S)
        self._t3410_at = None
        return [*self._become(DENIED, message.emm_cause), *self._fail_request(cme_of_emm(message.emm_cause))]

    def _on_detach(self, message: radio.DetachRequest, now_s: float) -> list[Effect]:
        effects: list[Effect] = [Send(radio.DetachAccept()), *self._lose_bearer(by_network=True)]
        cause = message.emm_cause or 0
        if cause in EMM_PERMANENT:
            return effects + self._become(DENIED, cause)
        self._attach_at = now_s + (T3411_S if cause else 0.0)  # "re-attach required": at once, clause 5.5.2.3.2
        return effects + self._become(SEARCHING, cause)

    def _on_pdn(
        self,
        message: radio.EsmInformationRequest | radio.PdnConnectivityReject | radio.ActivateDefaultBearer,
        now_s: float,
    ) -> list[Effect]:
        request = self._request
        if request is None or message.pti != self._pti:
            return []
        if isinstance(message, radio.EsmInformationRequest):
            try:
                value = bytes.fromhex(message.challenge)
            except ValueError:
                return []
            answer = radio.chap_response(message.identifier, request.password, value).hex()
            return [Send(radio.EsmInformationResponse(self._pti, message.identifier, answer, request.user))]
        if isinstance(message, radio.PdnConnectivityReject):
            if message.t3396_s:
                self._t3396_at[request.apn.lower()] = now_s + message.t3396_s
            return self._fail_request(cme_of_esm(message.esm_cause))
        self._request = self._t3482_at = None
        self.bearer, self.cid = message, request.cid
        return [Send(radio.ActivateDefaultBearerAccept(message.bearer_id)), PdnUp(request.cid)]

    # ------------------------------------------------------------ parts

    def _send_request(self, now_s: float) -> list[Effect]:
        request = self._request
        assert request is not None
        if not self._request_sent:
            self._pti = self._pti % 254 + 1
        self._request_sent += 1
        self._t3482_at = now_s + T3482_S
        auth = request.auth if request.auth in ("pap", "chap") else "none"
        pap = radio.PapCredentials(request.user, request.password) if auth == "pap" else None
        message = radio.PdnConnectivityRequest(self._pti, request.apn, request.pdn_type, auth, pap)  # type: ignore[arg-type]
        return [Send(message)]

    def _fail_request(self, cme: int) -> list[Effect]:
        if self._request is None:
            return []
        cid, self._request, self._t3482_at = self._request.cid, None, None
        return [PdnRefused(cid, cme)]

    def _lose_bearer(self, *, by_network: bool) -> list[Effect]:
        if self.bearer is None or self.cid is None:
            return []
        cid, self.bearer, self.cid = self.cid, None, None
        return [PdnDown(cid, by_network)]

    def _become(self, stat: int, cause: int) -> list[Effect]:
        if (stat, cause) == (self.stat, self.reject_cause):
            return []
        self.stat, self.reject_cause = stat, cause
        return [RegistrationChanged()]
