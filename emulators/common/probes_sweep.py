"""The probe ``sweep``: many tries at once. Layer: stand-in, I/O. (``scan``, many TCP ports, is in probes_scan.py.)

A try is what one place does to another: ``tcp/N`` opens a connection, ``udp/N`` and ``icmp`` ask and wait for the
answer, ``arp`` asks who has an address. All tries run side by side in one loop, so that many silent ones take no longer
than one. A try with a token asks with it (whoever answers tells it back: answerer.py); one without speaks the port's
own protocol, for daemons that heed nothing else.
"""

from __future__ import annotations

import os
import selectors
import socket
import struct
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from typing import Any, Literal

from emulators.common.own_addresses import find_mac, find_source, pack_mac
from emulators.common.probes_scan import scan
from emulators.common.service import Handler
from emulators.common.try_packets import (
    ECHO_REPLY,
    ETHERTYPE_ARP,
    build_arp_request,
    build_echo_request,
    build_payload,
    parse_arp,
)

Outcome = Literal["open", "refused", "silent"]
MOST_TRIES = 4000
_BUFFER_BYTES = 1 << 21

QUESTIONS: Mapping[int, bytes] = {
    # RFC 1035 section 4.1: an A query for ready.invalid, recursion desired
    53: b"\x62\x70\x01\x00\x00\x01\x00\x00\x00\x00\x00\x00\x05ready\x07invalid\x00\x00\x01\x00\x01",
    # RFC 1350 section 5: read request
    69: b"\x00\x01ready\x00octet\x00",
    # RFC 5905 section 7.3: version 4, client
    123: b"\x23" + bytes(47),
    # RFC 3414 section 4: discovery of the engine (an empty msgAuthoritativeEngineID, reportable)
    161: bytes.fromhex(
        "303a020103300f02024a69020300ffe304010402010304103"
        "00e0400020100020100040004000400301204000400a00c020237f00201000201003000"
    ),
    # RFC 7296 section 3.1: a header of major version 3, which section 2.5 says is answered with INVALID_MAJOR_VERSION
    500: b"branchpr" + bytes(8) + b"\x21\x30\x22\x08" + bytes(4) + b"\x00\x00\x00\x1c",
    # RFC 3948 section 2.2: the same behind a non-ESP marker
    4500: bytes(4) + b"branchpr" + bytes(8) + b"\x21\x30\x22\x08" + bytes(4) + b"\x00\x00\x00\x1c",
}
"""What a daemon of that port answers to. Other ports get a line of text."""


def build_sweep_probes(link: str | None = None) -> dict[str, Handler]:
    """Return the handlers. `link`: whose neighbours ``arp`` asks; None where the node offers no such try."""

    def sweep_all(tries: Sequence[Mapping[str, Any]], timeout_s: float = 0.8, again: int = 1) -> dict[str, Any]:
        return {"outcomes": Sweep(tries, link).run(timeout_s, again)}

    return {"sweep": sweep_all, "scan": scan}


@dataclass(slots=True, eq=False)
class _Try:
    target: str
    kind: str
    port: int
    payload: bytes
    outcome: Outcome | None = None
    line: socket.socket | None = field(default=None, repr=False)


class Sweep:
    """One batch of tries."""

    def __init__(self, tries: Sequence[Mapping[str, Any]], link: str | None) -> None:
        if len(tries) > MOST_TRIES:
            raise ValueError(f"tries: expected at most {MOST_TRIES}, saw {len(tries)}")
        self._tries = [_read_try(item) for item in tries]
        self._link = link
        self._ident = int.from_bytes(os.urandom(2), "big")
        self._poll = selectors.DefaultSelector()
        self._echoes = self._arp = None
        if any(item.kind == "icmp" for item in self._tries):
            self._echoes = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP)
            self._echoes.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
            self._echoes.setblocking(False)
            self._poll.register(self._echoes, selectors.EVENT_READ, self._read_echo)
        if any(item.kind == "arp" for item in self._tries):
            if link is None:
                raise ValueError("arp: this node has no LAN link of its own to ask on")
            self._arp = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ETHERTYPE_ARP))
            self._arp.bind((link, ETHERTYPE_ARP))
            self._arp.setblocking(False)
            self._poll.register(self._arp, selectors.EVENT_READ, self._read_arp)

    def run(self, timeout_s: float, again: int) -> list[Outcome]:
        """Try all; those unanswered after `timeout_s` are tried `again` times more, as long each."""
        try:
            for _ in range(again + 1):
                for number, item in enumerate(self._tries):
                    if item.outcome is None:
                        self._begin(number, item)
                self._wait(time.monotonic() + timeout_s)
        finally:
            for line in (self._echoes, self._arp, *(item.line for item in self._tries)):
                if line is not None:
                    line.close()
            self._poll.close()
        return [item.outcome or "silent" for item in self._tries]

    def _begin(self, number: int, item: _Try) -> None:
        """Send; an error at once (no route, no neighbour) is silence, and may pass by the next time."""
        try:
            if item.kind == "icmp":
                assert self._echoes is not None
                self._echoes.sendto(build_echo_request(self._ident, number, item.payload), (item.target, 0))
            elif item.kind == "arp":
                assert self._arp is not None
                self._arp.send(
                    build_arp_request(pack_mac(find_mac(str(self._link))), find_source(item.target), item.target)
                )
            elif item.kind == "udp":
                self._open_udp(item).send(item.payload)
            elif item.line is None:  # the kernel repeats a SYN by itself (RFC 6298 section 2.1: after 1 s)
                self._open_tcp(item)
        except ConnectionRefusedError:
            item.outcome = "refused"
        except OSError:
            return

    def _open_udp(self, item: _Try) -> socket.socket:
        if item.line is None:
            item.line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            item.line.setblocking(False)
            item.line.connect((item.target, item.port))
            self._poll.register(item.line, selectors.EVENT_READ, item)
        return item.line

    def _open_tcp(self, item: _Try) -> None:
        item.line = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        item.line.setblocking(False)
        code = item.line.connect_ex((item.target, item.port))
        if code in (0, 115):  # EINPROGRESS
            self._poll.register(item.line, selectors.EVENT_WRITE, item)
        elif code == 111:  # ECONNREFUSED
            item.outcome = "refused"

    def _wait(self, deadline: float) -> None:
        while any(item.outcome is None for item in self._tries):
            left_s = deadline - time.monotonic()
            if left_s <= 0:
                return
            for key, _ in self._poll.select(left_s):
                if isinstance(key.data, _Try):
                    self._hear(key.data)
                else:
                    key.data()

    def _hear(self, item: _Try) -> None:
        assert item.line is not None
        if item.kind == "tcp":
            self._poll.unregister(item.line)
            code = item.line.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            # 111, 104: ECONNREFUSED, ECONNRESET. All others (unreachable, time out) are no answer of the target's.
            item.outcome = "open" if code == 0 else "refused" if code in (111, 104) else "silent"
            return
        try:
            item.line.recv(2048)
            item.outcome = "open"
        except BlockingIOError:
            return
        except ConnectionRefusedError:
            item.outcome = "refused"
        except OSError:  # unreachable: told once, and may be better the next time
            return

    def _read_echo(self) -> None:
        assert self._echoes is not None
        try:
            packet, address = self._echoes.recvfrom(2048)
        except OSError:
            return
        start = (packet[0] & 15) * 4
        if len(packet) < start + 8 or packet[start] != ECHO_REPLY:
            return
        ident, number = struct.unpack_from("!HH", packet, start + 4)
        item = self._tries[number] if ident == self._ident and number < len(self._tries) else None
        if item is not None and item.kind == "icmp" and address[0] == item.target:
            item.outcome = "open"

    def _read_arp(self) -> None:
        assert self._arp is not None
        try:
            told = parse_arp(self._arp.recv(2048)[14:])
        except OSError:
            return
        for item in self._tries:
            if told is not None and told[0] == 2 and item.kind == "arp" and told[1] == item.target:
                item.outcome = "open"


def _read_try(item: Mapping[str, Any]) -> _Try:
    target, token = str(IPv4Address(item["target"])), item.get("token")
    kind, _, port = str(item["service"]).partition("/")
    if kind not in ("tcp", "udp", "icmp", "arp") or (kind in ("tcp", "udp")) != port.isdecimal():
        raise ValueError(f"service: expected icmp, arp, tcp/PORT or udp/PORT, saw {item['service']!r}")
    number = int(port or 0)
    payload = build_payload(str(token)) if token else QUESTIONS.get(number, b"branchproof\r\n")
    return _Try(target, kind, number, payload)
