"""What a DHCP server, and a client that takes its offer, put on a LAN. Layer: stand-in, pure.

By RFC 2131 and RFC 2132. Not here: the DISCOVER and who reads an OFFER (frames.py).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

from emulators.client.frames import BROADCAST, CLIENT_PORT, SERVER_PORT, build_frame
from emulators.common.try_packets import build_udp

DISCOVER, OFFER, REQUEST, ACK = 1, 2, 3, 5  # RFC 2132 section 9.6
BOOTP_BYTES = 236
COOKIE = bytes.fromhex("63825363")  # RFC 2131 section 3
_MASK, _ROUTER, _NAMES, _ASKED, _LEASE, _TYPE, _SERVER, _END = 1, 3, 6, 50, 51, 53, 54, 255
"""Options: RFC 2132 sections 3.3, 3.5, 3.8, 9.1, 9.2, 9.6, 9.7, 3.2."""
_BROADCAST_FLAG = 0x8000  # RFC 2131 figure 2
_PLACE_OF_TYPE = BOOTP_BYTES + len(COOKIE)


@dataclass(frozen=True, slots=True)
class Server:
    """A server that calls itself router and resolver, too, as such boxes do."""

    mac: bytes
    address: str
    lease_s: int = 3600

    def build_answer(self, kind: int, asker: bytes, transaction: int, offered: str) -> bytes:
        """Return the frame of an OFFER or ACK, to everybody."""
        own = IPv4Address(self.address).packed
        options = (
            _option(_TYPE, bytes([kind]))
            + _option(_SERVER, own)
            + _option(_LEASE, struct.pack("!I", self.lease_s))
            + _option(_MASK, IPv4Address("255.255.255.0").packed)
            + _option(_ROUTER, own)
            + _option(_NAMES, own)
        )
        bootp = _bootp(2, asker, transaction, offered) + options + bytes([_END])
        return build_frame(
            BROADCAST, self.mac, build_udp(self.address, "255.255.255.255", (SERVER_PORT, CLIENT_PORT), bootp)
        )


@dataclass(frozen=True, slots=True)
class Asked:
    """What a client asked a server."""

    kind: int
    mac: bytes
    transaction: int


def build_request(mac: bytes, transaction: int, offered: str, server: str) -> bytes:
    """Return the frame by which a client takes an offer: broadcast, so that the other servers hear it, too."""
    options = (
        _option(_TYPE, bytes([REQUEST]))
        + _option(_SERVER, IPv4Address(server).packed)
        + _option(_ASKED, IPv4Address(offered).packed)
    )
    bootp = _bootp(1, mac, transaction, "0.0.0.0") + options + bytes([_END])
    return build_frame(BROADCAST, mac, build_udp("0.0.0.0", "255.255.255.255", (CLIENT_PORT, SERVER_PORT), bootp))


def parse_asked(frame: bytes) -> Asked | None:
    """Read an Ethernet frame: a client's DISCOVER or REQUEST whose first option is its type (most do so), or None."""
    packet = frame[14:]
    start = (packet[0] & 15) * 4 if packet else 0
    ports = packet[start : start + 4]
    bootp = packet[start + 8 :]
    if frame[12:14] != b"\x08\x00" or packet[9:10] != b"\x11" or ports != struct.pack("!HH", CLIENT_PORT, SERVER_PORT):
        return None
    if len(bootp) < _PLACE_OF_TYPE + 3 or bootp[0] != 1 or bootp[_PLACE_OF_TYPE] != _TYPE:
        return None
    kind = bootp[_PLACE_OF_TYPE + 2]
    return Asked(kind, bootp[28:34], struct.unpack_from("!I", bootp, 4)[0]) if kind in (DISCOVER, REQUEST) else None


def _bootp(operation: int, mac: bytes, transaction: int, given: str) -> bytes:
    head = struct.pack("!BBBBIHH", operation, 1, 6, 0, transaction, 0, _BROADCAST_FLAG)
    addresses = bytes(4) + IPv4Address(given).packed + bytes(8)
    return (head + addresses + mac.ljust(16, b"\0")).ljust(BOOTP_BYTES, b"\0") + COOKIE


def _option(code: int, value: bytes) -> bytes:
    return bytes([code, len(value)]) + value
