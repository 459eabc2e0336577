"""GTP-U, version 1: packets of a bearer inside UDP. Layer: shared, pure codec.

TS 29.281 clause 5: octet 1 is version (3 bits, 1), protocol type (1), spare, E, S, PN; then type, length (what follows
the first 8 octets), TEID. If any of E, S, PN is set, four more octets follow: sequence number, N-PDU number, next
extension type. Overhead without them: 8 + 8 (UDP) + 20 (IPv4) = 36 octets.

Not here: sockets (gtp_link.py), who owns which TEID (carrier/machine.py).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

PORT = 2152  # TS 29.281 clause 4.4.2.3
ECHO_REQUEST, ECHO_RESPONSE, ERROR_INDICATION, END_MARKER, G_PDU = 1, 2, 26, 254, 255  # clause 6.1
IE_RECOVERY, IE_TEID, IE_PEER_ADDRESS = 14, 16, 133  # clause 8.1
HEADER_BYTES = 8

_HEAD = struct.Struct("!BBHI")
_OPTIONAL = struct.Struct("!HBB")
_VERSION_1_GTP = 0x30
_FLAG_E, _FLAG_S, _FLAG_PN = 0x04, 0x02, 0x01


class GtpuError(ValueError):
    """A datagram is not GTP-U version 1, or it is cut short."""


@dataclass(frozen=True, slots=True)
class Message:
    """One GTP-U message. `sequence` is None where the S flag is not set; `extensions` are (type, content) pairs."""

    type: int
    teid: int
    payload: bytes
    sequence: int | None = None
    extensions: tuple[tuple[int, bytes], ...] = ()


def encode_header(teid: int, payload_bytes: int) -> bytes:
    """Return the 8 octets in front of a packet of a bearer (G-PDU without optional fields)."""
    return _HEAD.pack(_VERSION_1_GTP, G_PDU, payload_bytes, teid)


def encode(message: Message) -> bytes:
    """Return the datagram of a message. Extension content must be 4n - 2 octets long (clause 5.2.1)."""
    optional = b""
    flags = _VERSION_1_GTP
    if message.sequence is not None or message.extensions:
        types = [kind for kind, _ in message.extensions] + [0]
        flags |= (_FLAG_E if message.extensions else 0) | (_FLAG_S if message.sequence is not None else 0)
        optional = _OPTIONAL.pack(message.sequence or 0, 0, types[0])
        for (_, content), following in zip(message.extensions, types[1:], strict=True):
            length = len(content) + 2
            if length % 4 or length > 1020:
                raise GtpuError(f"expected extension content of 4n - 2 octets up to 1018, saw {len(content)}")
            optional += bytes([length // 4]) + content + bytes([following])
    body = optional + message.payload
    return _HEAD.pack(flags, message.type, len(body), message.teid) + body


def decode(datagram: bytes) -> Message:
    """Read one datagram. Raises: GtpuError."""
    if len(datagram) < HEADER_BYTES:
        raise GtpuError(f"expected at least 8 octets, saw {len(datagram)}")
    flags, kind, length, teid = _HEAD.unpack_from(datagram)
    if flags & 0xF0 != _VERSION_1_GTP:
        raise GtpuError(f"expected version 1 and protocol type 1 (0x3_), saw 0x{flags:02x}")
    end = HEADER_BYTES + length
    if end > len(datagram):
        raise GtpuError(f"expected {end} octets by the length field, saw {len(datagram)}")
    at, sequence = HEADER_BYTES, None
    extensions: tuple[tuple[int, bytes], ...] = ()
    if flags & (_FLAG_E | _FLAG_S | _FLAG_PN):
        if length < 4:
            raise GtpuError(f"expected four optional octets, saw a length of {length}")
        number, _, following = _OPTIONAL.unpack_from(datagram, at)
        sequence = number if flags & _FLAG_S else None
        at += 4
        if flags & _FLAG_E:
            extensions, at = _decode_extensions(datagram[:end], at, following)
    return Message(kind, teid, bytes(datagram[at:end]), sequence, extensions)


def _decode_extensions(datagram: bytes, at: int, kind: int) -> tuple[tuple[tuple[int, bytes], ...], int]:
    found = []
    while kind:
        size = datagram[at] * 4 if at < len(datagram) else 0
        if not size or at + size > len(datagram):
            raise GtpuError(f"extension header 0x{kind:02x} at octet {at}: length {size} does not fit")
        found.append((kind, bytes(datagram[at + 1 : at + size - 1])))
        kind = datagram[at + size - 1]
        at += size
    return tuple(found), at


def build_echo_response(request: Message) -> bytes:
    """Return the answer to an Echo Request: its sequence number, Recovery 0 (clause 7.2.2)."""
    return encode(Message(ECHO_RESPONSE, 0, bytes([IE_RECOVERY, 0]), request.sequence or 0))


def build_error_indication(teid: int, own_address: bytes) -> bytes:
    """Return what answers a G-PDU for a TEID that is not in use (clause 7.3.1). `own_address`: 4 octets."""
    body = struct.pack("!BI", IE_TEID, teid) + struct.pack("!BH", IE_PEER_ADDRESS, len(own_address)) + own_address
    return encode(Message(ERROR_INDICATION, 0, body, 0))
