"""Frames that a device on a LAN port sends before it has an address, and what it gets. Layer: stand-in, pure.

DHCP by RFC 2131 and RFC 2132: a DISCOVER goes out, an OFFER comes back. Not here: ARP, ICMP and TCP (try_packets.py).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

from emulators.common.try_packets import ETHERTYPE_IPV4, UDP, build_udp

CLIENT_PORT, SERVER_PORT = 68, 67  # RFC 2131 section 4.1
_COOKIE = bytes.fromhex("63825363")  # RFC 2131 section 3
_MESSAGE_TYPE, _SERVER, _END, _PAD = 53, 54, 255, 0  # RFC 2132 sections 9.6, 9.7, 3.2, 3.1
_DISCOVER, _OFFER = 1, 2
_BOOTP_BYTES = 236
BROADCAST = b"\xff" * 6


@dataclass(frozen=True, slots=True)
class Offer:
    """What a DHCP server offers: an address, and who it is itself."""

    address: str
    server: str


def build_frame(destination: bytes, source: bytes, packet: bytes) -> bytes:
    """Return the Ethernet frame of an IPv4 packet."""
    return destination + source + struct.pack("!H", ETHERTYPE_IPV4) + packet


def build_discover(mac: bytes, transaction: int) -> bytes:
    """Return the frame of a DISCOVER (answers go to the device's own address: no broadcast flag)."""
    head = struct.pack("!BBBBIHH", 1, 1, 6, 0, transaction, 0, 0) + bytes(16) + mac.ljust(16, b"\0")
    bootp = head.ljust(_BOOTP_BYTES, b"\0") + _COOKIE + bytes([_MESSAGE_TYPE, 1, _DISCOVER, _END])
    packet = build_udp("0.0.0.0", "255.255.255.255", (CLIENT_PORT, SERVER_PORT), bootp)
    return build_frame(BROADCAST, mac, packet)


def parse_offer(packet: bytes, transaction: int) -> Offer | None:
    """Read an IPv4 packet: the OFFER of that transaction, or None."""
    start = (packet[0] & 15) * 4 + 8 if packet else 0
    if len(packet) < start + _BOOTP_BYTES + 4 or packet[0] >> 4 != 4 or packet[9] != UDP:
        return None
    bootp = packet[start:]
    if bootp[0] != 2 or struct.unpack_from("!I", bootp, 4)[0] != transaction:
        return None
    options = _parse_options(bootp[_BOOTP_BYTES:])
    if options.get(_MESSAGE_TYPE) != bytes([_OFFER]) or len(options.get(_SERVER, b"")) != 4:
        return None
    return Offer(str(IPv4Address(bootp[16:20])), str(IPv4Address(options[_SERVER])))


def is_echo_reply(packet: bytes, ident: int, source: str) -> bool:
    """Say whether an IPv4 packet answers an echo of ours (RFC 792, type 0)."""
    start = (packet[0] & 15) * 4 if packet else 0
    if len(packet) < start + 8 or packet[9] != 1 or packet[12:16] != IPv4Address(source).packed:
        return False
    return packet[start] == 0 and int.from_bytes(packet[start + 4 : start + 6], "big") == ident


def _parse_options(data: bytes) -> dict[int, bytes]:
    found: dict[int, bytes] = {}
    place = 4 if data.startswith(_COOKIE) else len(data)
    while place < len(data) and data[place] != _END:
        if data[place] == _PAD:
            place += 1
            continue
        size = data[place + 1] if place + 1 < len(data) else 0
        found[data[place]] = data[place + 2 : place + 2 + size]
        place += 2 + size
    return found
