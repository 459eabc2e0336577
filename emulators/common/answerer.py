"""Answers every TCP port and every question by UDP on a node's own addresses, and witnesses what arrives.
Layer: stand-in, I/O (packet sockets, nft).

Where nothing listens, a port answers all the same: TCP is led to one listener, which says its name and closes; a
question by UDP (try_packets.py) is answered straight from the packet socket that witnesses it. So a try that a router
lets through is always seen to get through, whatever its port. A port with a listener of its own is left to it:
netfilter asks for the socket before it redirects (nft(8), "socket"), and a question never comes to any service (dropped
on input, after the witness saw it).

Laws: a table of its own, nothing else of the node's filter is touched; a question in a broadcast is witnessed and not
answered; what is witnessed is bounded. Echo requests are answered by the kernel and witnessed here.
"""

from __future__ import annotations

import ctypes
import socket
import struct
import threading
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from emulators.common.own_addresses import find_mac
from emulators.common.service import Handler, log
from emulators.common.supervise import run
from emulators.common.try_packets import (
    ETHERTYPE_ARP,
    ETHERTYPE_IPV4,
    QUESTION,
    Question,
    build_answer,
    parse_arp,
    parse_question,
)

LISTENER_PORT = 47007
TABLE = "inet answerer"
BACKLOG, PATIENCE_S = 4096, 2.0
MOST_ARRIVALS = 20_000
"""Kinds of arrival that are kept: above what all checks of a run ask together; a flood does not fill the memory."""
_HEAD_BYTES = 256
_PACKET_BROADCAST, _PACKET_OUTGOING = 1, 4  # linux/if_packet.h
_SO_ATTACH_FILTER = 26  # asm-generic/socket.h
_BUFFER_BYTES = 1 << 20

_FILTER = (
    (0x30, 0, 0, 9),  # ldb [9]: protocol; offsets count from the IPv4 header (SOCK_DGRAM)
    (0xB1, 0, 0, 0),  # ldx 4*([0]&0xf): the header's length
    (0x15, 3, 0, 17),  # jeq UDP: to the token
    (0x15, 0, 4, 1),  # jeq ICMP, else drop
    (0x50, 0, 0, 0),  # ldb [x + 0]: ICMP type
    (0x15, 0, 2, 8),  # jeq echo request (RFC 792), else drop
    (0x40, 0, 0, 8),  # ld [x + 8]: the first four octets of the data
    (0x15, 1, 0, int.from_bytes(QUESTION, "big")),
    (0x06, 0, 0, 0),  # ret #0: drop
    (0x06, 0, 0, _HEAD_BYTES),
)
"""Classic BPF (code, jump true, jump false, k): only questions wake the witness; other traffic costs nothing here."""


@dataclass(frozen=True, slots=True)
class _Arrival:
    link: str
    protocol: str
    source: str
    destination: str
    port: int | None
    token: str | None


class Answerer:
    """The listener and the witnesses of one node."""

    def __init__(self, node: str, links: Sequence[str]) -> None:
        self._node, self._links = node, tuple(links)
        self._lock = threading.Lock()
        self._arrived: dict[_Arrival, int] = {}
        self._threads: list[threading.Thread] = []

    def start(self) -> Answerer:
        """Begin to answer; from its return on nothing is missed. Raises: OSError, DaemonError."""
        listener = socket.create_server(("", LISTENER_PORT), backlog=BACKLOG)
        self._spawn(self._greet, listener)
        answers = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW)
        for link in self._links:
            self._spawn(self._witness, link, _open_tap(link, ETHERTYPE_IPV4, _FILTER), answers)
            self._spawn(self._witness_arp, link, _open_tap(link, ETHERTYPE_ARP))
        run(["nft", "-f", "-"], text=render_rules())
        return self

    def verbs(self) -> dict[str, Handler]:
        """Return the handler of ``arrivals``."""
        return {"arrivals": self.tell_arrivals}

    def tell_arrivals(self, prefix: str = "", forget: bool = False) -> dict[str, Any]:
        """Return what arrived so far: questions whose token begins with `prefix`, and ARP requests of others.

        ``alive``: the listener answers, and every witness runs. ``macs``: the links' own addresses. With `forget` the
        questions told of are not told of again (ARP requests, which bear no token, are).
        """
        with self._lock:
            held = list(self._arrived.items())
            if forget:
                for item in [
                    item for item in self._arrived if item.token is not None and item.token.startswith(prefix)
                ]:
                    del self._arrived[item]
        arrived = [
            {
                "link": item.link,
                "protocol": item.protocol,
                "source": item.source,
                "destination": item.destination,
                "port": item.port,
                "token": item.token,
                "count": count,
            }
            for item, count in held
            if item.token is None or item.token.startswith(prefix)
        ]
        macs = {link: find_mac(link) for link in self._links}
        return {"arrived": arrived, "alive": self._is_alive(), "macs": macs}

    def _is_alive(self) -> bool:
        with suppress(OSError), socket.create_connection(("127.0.0.1", LISTENER_PORT), PATIENCE_S) as line:
            line.settimeout(PATIENCE_S)
            return bool(line.recv(64)) and all(thread.is_alive() for thread in self._threads)
        return False

    def _spawn(self, target: Any, *args: Any) -> None:
        thread = threading.Thread(target=target, args=args, name=f"answerer-{len(self._threads)}", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _greet(self, listener: socket.socket) -> None:
        banner = f"{self._node}\r\n".encode()
        while True:
            with suppress(OSError):
                line, _ = listener.accept()
                with line:
                    line.settimeout(PATIENCE_S)
                    line.sendall(banner)

    def _witness(self, link: str, tap: socket.socket, answers: socket.socket) -> None:
        while True:
            packet, kind = _receive(link, tap)
            question = parse_question(packet) if kind != _PACKET_OUTGOING else None
            if question is None:
                continue
            self._note(_describe(link, question))
            answer = build_answer(question) if kind != _PACKET_BROADCAST else None
            if answer is not None:
                with suppress(OSError):  # no way back: whoever asked hears nothing, as it should be
                    answers.sendto(answer, (question.source, 0))

    def _witness_arp(self, link: str, tap: socket.socket) -> None:
        while True:
            packet, kind = _receive(link, tap)
            told = parse_arp(packet) if kind != _PACKET_OUTGOING else None
            if told is not None and told[0] == 1:
                self._note(_Arrival(link, "arp", told[1], told[2], None, None))

    def _note(self, arrival: _Arrival) -> None:
        with self._lock:
            if arrival in self._arrived or len(self._arrived) < MOST_ARRIVALS:
                self._arrived[arrival] = self._arrived.get(arrival, 0) + 1


def render_rules() -> str:
    """Return the nft script. A port with a socket of its own keeps it; questions come to none."""
    return (
        f"table {TABLE}\ndelete table {TABLE}\n"
        f"table {TABLE} {{\n"
        "  chain ports {\n"
        "    type nat hook prerouting priority dstnat; policy accept;\n"
        "    socket transparent 0 accept\n"
        f"    meta l4proto tcp fib daddr type local redirect to :{LISTENER_PORT}\n"
        "  }\n"
        "  chain questions {\n"
        "    type filter hook input priority filter; policy accept;\n"
        f"    meta l4proto udp @th,64,32 0x{QUESTION.hex()} drop\n"
        "  }\n"
        "}\n"
    )


def _describe(link: str, question: Question) -> _Arrival:
    return _Arrival(link, question.protocol, question.source, question.destination, question.port, question.token)


def _open_tap(link: str, kind: int, program: Iterable[tuple[int, int, int, int]] = ()) -> socket.socket:
    """Open a packet socket (packet(7)); the filter goes in before the link, so that nothing else ever gets in."""
    tap = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, 0)
    code = b"".join(struct.pack("=HBBI", *instruction) for instruction in program)
    if code:
        held = ctypes.create_string_buffer(code)
        described = struct.pack("@HP", len(code) // 8, ctypes.addressof(held))  # struct sock_fprog, linux/filter.h
        tap.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, described)
    tap.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
    tap.bind((link, kind))
    return tap


def _receive(link: str, tap: socket.socket) -> tuple[bytes, int]:
    """Return the next packet and its kind; waits out a link that is down."""
    while True:
        try:
            packet, address = tap.recvfrom(_HEAD_BYTES)
        except OSError as error:
            log(f"witness of {link}: {error}")
            continue
        return packet, address[2]
