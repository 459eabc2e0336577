"""QUIC version 1's client Initial packet, built and opened as RFC 9001 says. Layer: shared by stand-ins, pure.

What is sent is the packet of RFC 9001 appendix A.2: its keys follow from the connection ID that the client chose
(section 5.2), so that whoever gets it can open it. Not here: anything after the first packet.
"""

from __future__ import annotations

import struct

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hmac import HMAC
from cryptography.hazmat.primitives.kdf.hkdf import HKDFExpand

QUIC_PORT = 443  # RFC 9114 section 3.1 (by example)
VERSION = 1  # RFC 9000 section 15
SALT = bytes.fromhex("38762cf7f55934b34d179ae6a4c80cadccbb7f0a")  # RFC 9001 section 5.2
LEAST_DATAGRAM_BYTES = 1200  # RFC 9000 section 14.1
TAG_BYTES, SAMPLE_BYTES = 16, 16  # RFC 9001 sections 5.3, 5.4.2
CONNECTION_ID = bytes.fromhex("8394c8f03e515708")  # RFC 9001 appendix A
PACKET_NUMBER = 2
CRYPTO_FRAME = bytes.fromhex(
    "060040f1010000ed0303ebf8fa56f12939b9584a3896472ec40bb863cfd3e868"
    "04fe3a47f06a2b69484c00000413011302010000c000000010000e00000b6578"
    "616d706c652e636f6dff01000100000a00080006001d00170018001000070005"
    "04616c706e000500050100000000003300260024001d00209370b2c9caa47fba"
    "baf4559fedba753de171fa71f50f1ce15d43e994ec74d748002b000302030400"
    "0d0010000e0403050306030203080408050806002d00020101001c0002400100"
    "3900320408ffffffffffffffff05048000ffff07048000ffff08011001048000"
    "75300901100f088394c8f03e51570806048000ffff"
)
"""RFC 9001 appendix A.2: the frame with the ClientHello."""


class NotQuicError(ValueError):
    """A datagram does not hold a client Initial that can be opened."""


def build_initial() -> bytes:
    """Return the whole datagram, 1200 octets."""
    head = struct.pack("!BLB", 0xC3, VERSION, len(CONNECTION_ID)) + CONNECTION_ID + b"\0\0"  # no source ID, no token
    room = LEAST_DATAGRAM_BYTES - len(head) - 2 - 4 - TAG_BYTES
    payload = CRYPTO_FRAME + bytes(room - len(CRYPTO_FRAME))
    head += struct.pack("!HL", 0x4000 | 4 + len(payload) + TAG_BYTES, PACKET_NUMBER)
    key, nonce, mask_key = _derive(CONNECTION_ID, PACKET_NUMBER)
    sealed = AESGCM(key).encrypt(nonce, payload, head)
    mask = _mask(mask_key, sealed[:SAMPLE_BYTES])  # the sample begins 4 octets behind the packet number's start
    first = head[0] ^ (mask[0] & 0x0F)
    number = bytes(a ^ b for a, b in zip(head[-4:], mask[1:5], strict=True))
    return bytes([first]) + head[1:-4] + number + sealed


def open_initial(datagram: bytes) -> bytes:
    """Return the frames of a client Initial. Raises: NotQuicError."""
    try:
        return _open(datagram)
    except (IndexError, struct.error, InvalidTag, ValueError) as error:
        raise NotQuicError(f"expected a QUIC Initial, saw {datagram[:16]!r}: {error}") from error


def _open(datagram: bytes) -> bytes:
    if len(datagram) < LEAST_DATAGRAM_BYTES or datagram[0] & 0xF0 != 0xC0 or datagram[1:5] != b"\0\0\0\1":
        raise ValueError("not a long header of version 1, type Initial, in 1200 octets")
    at = 6 + datagram[5]
    connection_id = datagram[6:at]
    at += 1 + datagram[at]
    token, at = _varint(datagram, at)
    length, at = _varint(datagram, at + token)
    sample = datagram[at + 4 : at + 4 + SAMPLE_BYTES]
    mask = _mask(_derive(connection_id, 0)[2], sample)
    first = datagram[0] ^ (mask[0] & 0x0F)
    width = (first & 3) + 1
    number = bytes(a ^ b for a, b in zip(datagram[at : at + width], mask[1:], strict=False))
    key, nonce, _ = _derive(connection_id, int.from_bytes(number, "big"))
    head = bytes([first]) + datagram[1:at] + number
    return AESGCM(key).decrypt(nonce, datagram[at + width : at + length], head)


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Read a variable-length integer (RFC 9000 section 16); return it and where it ends."""
    width = 1 << (data[at] >> 6)
    return int.from_bytes(data[at : at + width], "big") & ((1 << (8 * width - 2)) - 1), at + width


def _derive(connection_id: bytes, number: int) -> tuple[bytes, bytes, bytes]:
    """Return key, nonce of a packet number, and key of the header's protection (RFC 9001 sections 5.1 to 5.4)."""
    extract = HMAC(SALT, hashes.SHA256())  # HKDF-Extract (RFC 5869 section 2.2)
    extract.update(connection_id)
    secret = _expand(extract.finalize(), "client in", 32)
    iv = int.from_bytes(_expand(secret, "quic iv", 12), "big")
    return _expand(secret, "quic key", 16), (iv ^ number).to_bytes(12, "big"), _expand(secret, "quic hp", 16)


def _expand(secret: bytes, label: str, length: int) -> bytes:
    """HKDF-Expand-Label (RFC 8446 section 7.1) with an empty context."""
    text = f"tls13 {label}".encode()
    info = struct.pack("!HB", length, len(text)) + text + b"\0"
    return HKDFExpand(hashes.SHA256(), length, info).derive(secret)


def _mask(key: bytes, sample: bytes) -> bytes:
    cipher = Cipher(algorithms.AES(key), modes.ECB()).encryptor()  # one block: RFC 9001 section 5.4.3
    return cipher.update(sample) + cipher.finalize()
