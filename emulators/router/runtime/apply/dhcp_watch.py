"""Hears DHCP servers that are none of the branch's on the LAN ports. Layer: router firmware; all but `Watch` is pure.

A packet socket a port (packet(7)), whose filter lets messages from a server's port to a client's through and nothing
else. It hears a frame before the port's own rules drop it. Not here: the rules (parts/dhcp_guard.py).
"""

from __future__ import annotations

import ctypes
import select
import socket
import struct
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from ipaddress import IPv4Address

from emulators.common.service import log

SERVER_PORT, CLIENT_PORT = 67, 68  # RFC 2131 section 4.1
SERVER_OPTION, PAD, END = 54, 0, 255  # RFC 2132 sections 9.7, 3.1, 3.2
COOKIE = bytes.fromhex("63825363")  # RFC 2131 section 3
ETHERNET_BYTES, UDP_BYTES, BOOTP_BYTES = 14, 8, 236
FRAME_BYTES = 1514
POLL_S = 0.25
_ETH_P_ALL = 0x0003  # linux/if_ether.h: only such a socket hears what a bridge takes from the port
_SO_ATTACH_FILTER = 26  # asm-generic/socket.h
_OUTGOING = 4  # PACKET_OUTGOING, linux/if_packet.h

FILTER = (  # classic BPF (linux/bpf_common.h): code, jump if true, jump if false, k
    (0x28, 0, 0, 12),  # ldh [12]: Ethernet type
    (0x15, 0, 8, 0x0800),  # IPv4
    (0x30, 0, 0, 23),  # ldb [23]: protocol
    (0x15, 0, 6, 17),  # UDP
    (0xB1, 0, 0, 14),  # ldx 4 * ([14] & 15): header length
    (0x48, 0, 0, 14),  # ldh [x + 14]: source port
    (0x15, 0, 3, SERVER_PORT),
    (0x48, 0, 0, 16),  # ldh [x + 16]: destination port
    (0x15, 0, 1, CLIENT_PORT),
    (0x06, 0, 0, FRAME_BYTES),
    (0x06, 0, 0, 0),
)


@dataclass(frozen=True, slots=True)
class Stranger:
    """A server that was heard. `server` is the address that it says is its own (option 54), else its source."""

    mac: str
    server: str


def parse_server_frame(frame: bytes) -> Stranger | None:
    """Read an Ethernet frame from a DHCP server; None where it is no whole one."""
    ip = frame[ETHERNET_BYTES:]
    header_bytes = (ip[0] & 15) * 4 if ip else 0
    bootp = ip[header_bytes + UDP_BYTES :]
    if header_bytes < 20 or len(bootp) < BOOTP_BYTES + len(COOKIE) or bootp[0] != 2:
        return None
    own = _find_option(bootp[BOOTP_BYTES:], SERVER_OPTION)
    server = own if own is not None and len(own) == 4 else ip[12:16]
    return Stranger(frame[6:12].hex(":"), str(IPv4Address(server)))


def _find_option(options: bytes, wanted: int) -> bytes | None:
    place = len(COOKIE) if options.startswith(COOKIE) else len(options)
    while place + 1 < len(options) and options[place] != END:
        if options[place] == PAD:
            place += 1
            continue
        size = options[place + 1]
        if options[place] == wanted:
            return options[place + 2 : place + 2 + size]
        place += 2 + size
    return None


class Watch:
    """Listens on ports (number to link). `on_stranger` hears of each server once a port, from the watch's thread."""

    def __init__(self, ports: Mapping[int, str], on_stranger: Callable[[int, Stranger], None]) -> None:
        self._on_stranger = on_stranger
        self._sockets = {_open(link): port for port, link in ports.items()}
        self._known: set[tuple[int, Stranger]] = set()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="dhcp watch", daemon=True)

    def start(self) -> Watch:
        self._thread.start()
        return self

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join()
        for each in self._sockets:
            each.close()

    def _listen(self) -> None:
        while not self._stopping.is_set():
            for one in select.select(list(self._sockets), [], [], POLL_S)[0]:
                try:
                    frame, address = one.recvfrom(FRAME_BYTES)
                except OSError as error:  # the port went down: frames come again when it is up
                    log(f"dhcp watch: {error}")
                    self._stopping.wait(POLL_S)
                    continue
                stranger = None if address[2] == _OUTGOING else parse_server_frame(frame)
                found = (self._sockets[one], stranger)
                if stranger is not None and found not in self._known:
                    self._known.add((found[0], stranger))
                    self._on_stranger(found[0], stranger)


def _open(link: str) -> socket.socket:
    listening = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
    code = ctypes.create_string_buffer(b"".join(struct.pack("=HBBI", *one) for one in FILTER))
    described = struct.pack("@HP", len(FILTER), ctypes.addressof(code))  # struct sock_fprog, linux/filter.h
    listening.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, described)
    listening.bind((link, _ETH_P_ALL))
    return listening
