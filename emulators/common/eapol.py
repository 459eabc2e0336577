"""EAPOL frames, the few that the bench sends by itself. Layer: shared, pure.

IEEE 802.1X: ethertype 0x888E (RFC 7042 appendix B.2), the PAE group address, packet types 0 EAP-Packet, 1 EAPOL-Start.
EAP by RFC 3748 section 4. Every conversation is hostapd's and wpa_supplicant's own; these frames only begin one sooner
than a supplicant's first wait (2 s) would.
"""

from __future__ import annotations

from typing import Final

ETHERTYPE: Final = 0x888E
PAE_GROUP: Final = bytes.fromhex("0180c2000003")
_VERSION, _EAP_PACKET, _START = 2, 0, 1  # IEEE 802.1X-2004, 7.5.3 and 7.5.4 (from memory)
_REQUEST, _IDENTITY = 1, 1  # RFC 3748 section 4 (code) and section 5 (type)


def build_start(source: bytes) -> bytes:
    """Return the frame by which a supplicant asks to be asked."""
    return _frame(PAE_GROUP, source, _START, b"")


def build_identity_request(source: bytes, identifier: int = 0, destination: bytes = PAE_GROUP) -> bytes:
    """Return the frame that asks whoever is on the port who they are."""
    return _frame(destination, source, _EAP_PACKET, bytes([_REQUEST, identifier & 0xFF, 0, 5, _IDENTITY]))


def _frame(destination: bytes, source: bytes, kind: int, body: bytes) -> bytes:
    head = bytes([_VERSION, kind]) + len(body).to_bytes(2, "big")
    return destination + source + ETHERTYPE.to_bytes(2, "big") + head + body
