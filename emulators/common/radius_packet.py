"""RADIUS packets, as far as the device itself asks: is a server there? Layer: shared, pure.

RFC 2865 (packet, authenticators), RFC 5997 (Status-Server), RFC 2869 section 5.14 (Message-Authenticator, HMAC-MD5).
MD5 is the protocol's own. What clients are asked goes through hostapd, not through here.
"""

from __future__ import annotations

import hashlib
import hmac
from typing import Final

ACCESS_ACCEPT: Final = 2  # RFC 2865 section 4.2
STATUS_SERVER: Final = 12  # RFC 5997 section 4.2
_MESSAGE_AUTHENTICATOR: Final = 80  # RFC 2869 section 5.14
_HEADER_BYTES, _DIGEST_BYTES = 20, 16
_BLOCK: Final = 16


def hide_password(password: bytes, secret: bytes, authenticator: bytes) -> bytes:
    """Return the value of User-Password (RFC 2865 section 5.2)."""
    padded = password.ljust(max(_BLOCK, -(-len(password) // _BLOCK) * _BLOCK), b"\0")
    hidden, last = b"", authenticator
    for start in range(0, len(padded), _BLOCK):
        mask = _md5(secret + last)
        last = bytes(a ^ b for a, b in zip(padded[start : start + _BLOCK], mask, strict=True))
        hidden += last
    return hidden


def build_packet(code: int, identifier: int, authenticator: bytes, attributes: bytes = b"") -> bytes:
    """Return a packet: code, identifier, length, authenticator, attributes (RFC 2865 section 3)."""
    return bytes([code, identifier]) + (_HEADER_BYTES + len(attributes)).to_bytes(2, "big") + authenticator + attributes


def find_response_authenticator(response: bytes, request_authenticator: bytes, secret: bytes) -> bytes:
    """Return what the authenticator of a response must be (RFC 2865 section 3)."""
    return _md5(response[:4] + request_authenticator + response[_HEADER_BYTES:] + secret)


def build_status_request(identifier: int, authenticator: bytes, secret: bytes) -> bytes:
    """Return a Status-Server: it must carry a Message-Authenticator (RFC 5997 section 3)."""
    blank = bytes([_MESSAGE_AUTHENTICATOR, 2 + _DIGEST_BYTES]) + bytes(_DIGEST_BYTES)
    packet = build_packet(STATUS_SERVER, identifier, authenticator, blank)
    return packet[:-_DIGEST_BYTES] + hmac.digest(secret, packet, "md5")


def is_answer(response: bytes, request: bytes, secret: bytes) -> bool:
    """Say whether a datagram is a server's answer to our request: same identifier, made with the shared secret."""
    if len(response) < _HEADER_BYTES or int.from_bytes(response[2:4], "big") != len(response):
        return False
    if response[0] != ACCESS_ACCEPT or response[1] != request[1]:
        return False
    expected = find_response_authenticator(response, request[4:_HEADER_BYTES], secret)
    return hmac.compare_digest(response[4:_HEADER_BYTES], expected)


def _md5(data: bytes) -> bytes:
    return hashlib.md5(data, usedforsecurity=False).digest()
