"""Tells the first IPv4 packet of each source address that comes in on an interface. Layer: stand-in, I/O.

A packet socket (packet(7), needs NET_RAW) in a thread. A source once seen is dropped in the kernel: the socket's filter
is made anew with each new source, so heavy traffic of known sources costs nothing here. What the interface itself sends
is left out. Not here: what a first packet means.
"""

from __future__ import annotations

import ctypes
import ipaddress
import socket
import struct
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from emulators.common.service import log

HEAD_BYTES = 64  # the longest IPv4 header (60, RFC 791 section 3.1) and both ports
PROTOCOLS = {1: "icmp", 6: "tcp", 17: "udp", 50: "esp"}  # IANA, Protocol Numbers
MAX_FILTERED = 1000  # three instructions each stay below BPF_MAXINSNS (4096, linux/bpf_common.h)

_ETH_P_IP = 0x0800
_PACKET_OUTGOING = 4  # linux/if_packet.h
_SO_ATTACH_FILTER = 26  # asm-generic/socket.h
_POLL_S = 0.25  # how soon the thread follows stop()

Instruction = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class FirstPacket:
    """`port` is the destination's; None where the protocol has none, or the packet is a later fragment."""

    source: str
    destination: str
    protocol: str
    port: int | None


def parse_packet(packet: bytes) -> FirstPacket | None:
    """Read the head of an IPv4 packet; None where it is none."""
    header_bytes = (packet[0] & 15) * 4 if packet else 0
    if len(packet) < 20 or packet[0] >> 4 != 4 or header_bytes < 20:
        return None
    number, port = packet[9], None
    later_fragment = int.from_bytes(packet[6:8], "big") & 0x1FFF
    if number in (6, 17) and not later_fragment and len(packet) >= header_bytes + 4:
        port = int.from_bytes(packet[header_bytes + 2 : header_bytes + 4], "big")
    source, destination = (str(ipaddress.IPv4Address(packet[i : i + 4])) for i in (12, 16))
    return FirstPacket(source, destination, PROTOCOLS.get(number, str(number)), port)


def build_filter(networks: Iterable[ipaddress.IPv4Network]) -> tuple[Instruction, ...]:
    """Return the classic BPF program that passes what does not come from `networks` (code, jump true, false, k)."""
    program: list[Instruction] = []
    for network in networks:
        program += [
            (0x20, 0, 0, 12),  # ld [12]: the source address; offsets count from the IP header (SOCK_DGRAM)
            (0x54, 0, 0, int(network.netmask)),  # and #mask
            (0x15, 0, 1, int(network.network_address)),  # jeq #network, next, skip one
            (0x06, 0, 0, 0),  # ret #0: drop
        ]
    return (*program, (0x06, 0, 0, HEAD_BYTES))


class PacketWatch:
    """Watches one interface and calls `on_first` (from its own thread) for each new source outside `ignore`."""

    def __init__(self, link: str, on_first: Callable[[FirstPacket], None], ignore: Iterable[str] = ()) -> None:
        self._link, self._on_first = link, on_first
        self._ignored = [ipaddress.IPv4Network(text) for text in ignore]
        self._seen: set[str] = set()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._watch, name=f"watch-{link}", daemon=True)
        self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, 0)

    def start(self) -> PacketWatch:
        """Begin to watch; from its return on no packet is missed. Raises: OSError."""
        self._attach()
        self._socket.settimeout(_POLL_S)
        self._socket.bind((self._link, _ETH_P_IP))
        self._thread.start()
        return self

    def stop(self) -> None:
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()
        self._socket.close()

    def forget(self, source: str) -> None:
        """Tell the next packet of a source as its first again."""
        self._seen.discard(source)
        self._attach()

    def _watch(self) -> None:
        while not self._stopping.is_set():
            try:
                packet, address = self._socket.recvfrom(HEAD_BYTES)
            except TimeoutError:
                continue
            except OSError as error:  # the interface went down: packets come again when it is up
                log(f"watch of {self._link}: {error}")
                self._stopping.wait(_POLL_S)
                continue
            if address[2] == _PACKET_OUTGOING:
                continue
            first = parse_packet(packet)
            if first is not None and self._is_new(first.source):
                self._seen.add(first.source)
                self._attach()
                self._on_first(first)

    def _is_new(self, source: str) -> bool:
        return source not in self._seen and not any(ipaddress.IPv4Address(source) in n for n in self._ignored)

    def _attach(self) -> None:
        known = [ipaddress.IPv4Network(source) for source in list(self._seen)]
        program = build_filter((*self._ignored, *known)[:MAX_FILTERED])
        code = b"".join(struct.pack("=HBBI", *instruction) for instruction in program)
        held = ctypes.create_string_buffer(code)
        # struct sock_fprog (linux/filter.h): length in instructions, padding, pointer to them
        described = struct.pack("@HP", len(program), ctypes.addressof(held))
        self._socket.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, described)
