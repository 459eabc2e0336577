"""What modem and carrier say to each other over the radio link, besides packets. Layer: shared, pure.

It stands for the air interface; it is NOT the encoding of NAS or RRC: one JSON object a UDP datagram on a port of the
bench's own. Procedures, causes and names follow TS 24.301 clause 8 (attach, PDN connectivity, ESM information) and TS
36.331 (cell, reconfiguration), without their security. A password under PAP crosses in clear here, as it does inside a
real bearer's protocol configuration options before encryption: so this port is left out of every capture and log.

CHAP is RFC 1994's: the carrier challenges (in the ESM information request), the modem answers; the secret stays home.
The attach is one without PDN connectivity (TS 24.301 clause 5.5.1.1), so the address always comes from +CGACT.

Not here: timers and states (router/modem/nas.py, carrier/machine.py).
"""

from __future__ import annotations

import hashlib
import hmac
import json
from dataclasses import dataclass
from typing import Literal

from emulators.common.record import from_json, to_json

SIGNALLING_PORT = 49200  # the bench's own: dynamic range of RFC 6335 section 6
MAX_DATAGRAM_BYTES = 8192


class RadioError(ValueError):
    """A datagram is not a message of this link."""


@dataclass(frozen=True, slots=True)
class CellSearch:
    """The modem listens for a cell (and, once camped, measures)."""


@dataclass(frozen=True, slots=True)
class Cell:
    """The cell as the modem measures it. `tac` and `cell_id` as hex, as +CEREG gives them."""

    plmn: str
    tac: str
    cell_id: str
    rsrp_dbm: float
    rsrq_db: float
    sinr_db: float


@dataclass(frozen=True, slots=True)
class AttachRequest:
    imsi: str
    imei: str


@dataclass(frozen=True, slots=True)
class AttachAccept:
    roaming: bool


@dataclass(frozen=True, slots=True)
class AttachReject:
    emm_cause: int
    t3402_s: float | None = None
    t3346_s: float | None = None
    """Back-off timer of congestion (#22): TS 24.301 clause 5.5.1.2.5."""


@dataclass(frozen=True, slots=True)
class DetachRequest:
    """From either side. `emm_cause` is set when the network does it."""

    emm_cause: int | None = None


@dataclass(frozen=True, slots=True)
class DetachAccept:
    pass


@dataclass(frozen=True, slots=True)
class PapCredentials:
    user: str
    password: str


@dataclass(frozen=True, slots=True)
class PdnConnectivityRequest:
    """`pti` ties the answers to it. `auth` names what the modem is set up for; CHAP's answer comes later."""

    pti: int
    apn: str
    pdn_type: str
    auth: Literal["none", "pap", "chap"]
    pap: PapCredentials | None = None


@dataclass(frozen=True, slots=True)
class EsmInformationRequest:
    """Carries the CHAP challenge: identifier and hex of the value (RFC 1994 section 4.1)."""

    pti: int
    identifier: int
    challenge: str
    name: str


@dataclass(frozen=True, slots=True)
class EsmInformationResponse:
    pti: int
    identifier: int
    response: str
    name: str


@dataclass(frozen=True, slots=True)
class PdnConnectivityReject:
    pti: int
    esm_cause: int
    t3396_s: float | None = None
    """Back-off timer of insufficient resources (#26), for the APN: TS 24.301 clause 6.5.1.4.2."""


@dataclass(frozen=True, slots=True)
class UplinkShape:
    """How the modem's sender is to treat packets (see shaper.py)."""

    rate_bps: int | None
    delay_ms: float
    jitter_ms: float
    loss_pct: float
    burst_packets: float = 1.0


@dataclass(frozen=True, slots=True)
class ActivateDefaultBearer:
    """Activate default EPS bearer context request. `uplink_teid` is the carrier's, `downlink_teid` the modem's."""

    pti: int
    bearer_id: int
    apn: str
    address: str
    gateway: str
    dns: tuple[str, ...]
    mtu: int
    uplink_teid: int
    downlink_teid: int
    shape: UplinkShape


@dataclass(frozen=True, slots=True)
class ActivateDefaultBearerAccept:
    bearer_id: int


@dataclass(frozen=True, slots=True)
class PdnDisconnectRequest:
    pti: int
    bearer_id: int


@dataclass(frozen=True, slots=True)
class DeactivateBearer:
    """Deactivate EPS bearer context request; the answer to a PDN disconnect request, or the network's own doing."""

    bearer_id: int
    esm_cause: int


@dataclass(frozen=True, slots=True)
class Reconfiguration:
    """The bearer's uplink changed (RRC connection reconfiguration)."""

    shape: UplinkShape


Message = (
    CellSearch
    | Cell
    | AttachRequest
    | AttachAccept
    | AttachReject
    | DetachRequest
    | DetachAccept
    | PdnConnectivityRequest
    | EsmInformationRequest
    | EsmInformationResponse
    | PdnConnectivityReject
    | ActivateDefaultBearer
    | ActivateDefaultBearerAccept
    | PdnDisconnectRequest
    | DeactivateBearer
    | Reconfiguration
)
_KINDS: dict[str, type[Message]] = {kind.__name__: kind for kind in Message.__args__}


def render(message: Message) -> bytes:
    """Return the datagram of a message."""
    return json.dumps({"message": type(message).__name__, **to_json(message)}, separators=(",", ":")).encode()


def parse(datagram: bytes) -> Message:
    """Read one datagram. Raises: RadioError (its text never quotes the datagram: it may hold a password)."""
    try:
        fields = json.loads(datagram.decode("utf-8"))
        kind = _KINDS[fields.pop("message")]
        return from_json(kind, fields)
    except (UnicodeDecodeError, ValueError, KeyError, AttributeError, TypeError, RecursionError) as error:
        raise RadioError(f"expected a radio message, saw {len(datagram)} octets: {type(error).__name__}") from None


def chap_response(identifier: int, secret: str, challenge: bytes) -> bytes:
    """Return MD5 over identifier, secret and challenge (RFC 1994 section 4.1)."""
    return hashlib.md5(bytes([identifier]) + secret.encode() + challenge, usedforsecurity=False).digest()


def chap_matches(identifier: int, secret: str, challenge: bytes, response: bytes) -> bool:
    """Say whether a CHAP response proves knowledge of the secret."""
    return hmac.compare_digest(chap_response(identifier, secret, challenge), response)
