"""The probes ``sweep`` (many tries at once) and ``scan`` (many TCP ports). Layer: stand-in, I/O.

A try is what one place does to another: ``tcp/N`` opens a connection, ``udp/N`` and ``icmp`` ask and wait for the
answer, ``arp`` asks who has an address. All tries run side by side in one loop, so that many silent ones take no longer
than one. A try with a token asks with it (whoever answers tells it back: answerer.py); one without speaks the port's
own protocol, for daemons that heed nothing else.
"""

from __future__ import annotations

import json
import os
import selectors
import socket
import struct
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from typing import Any, Literal

from emulators.common.service import Handler
from emulators.common.supervise import run
from emulators.common.try_packets import (
    ECHO_REPLY,
    ETHERTYPE_ARP,
    Syns,
    build_arp_request,
    build_echo_request,
    build_payload,
    parse_arp,
    parse_syn_answer,
)

Outcome = Literal["open", "refused", "silent"]
MOST_TRIES, MOST_PORTS = 4000, 70_000
MOST_RATE = 20_000
"""Packets a second of a scan at most: what a modest firewall forwards; common practice, no source."""
_BURST = 32
_BUFFER_BYTES = 1 << 21
_NEEDS_ROUTE_PORT = 9  # discard (IANA); only asks the kernel for the source address, sends nothing

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
                self._arp.send(build_arp_request(_find_mac(self._link), find_source(item.target), item.target))
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


def find_source(target: str) -> str:
    """Return the node's own address towards a target. Raises: OSError where there is no way."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        line.connect((target, _NEEDS_ROUTE_PORT))
        return str(line.getsockname()[0])


def _find_mac(link: str | None) -> bytes:
    told = json.loads(run(["ip", "-j", "link", "show", "dev", str(link)]))
    return bytes.fromhex(told[0]["address"].replace(":", ""))


# ---------------------------------------------------------------- scan


def scan(
    targets: Sequence[str], ports: Sequence[Sequence[int]], rate: int = 10_000, timeout_s: float = 0.8
) -> dict[str, Any]:
    """Send one SYN to each port (`ports`: ranges, both ends included) of each target; tell which answered, and how.

    A SYN-ACK is answered by this node's own kernel with a reset, as for any connection that it does not know. Result:
    target to {open, refused (lists of ports)}, and ``asked``: ports a target. ``no_way``: targets without a route.
    """
    wanted = sorted({port for low, high in ports for port in range(low, high + 1)})
    if not wanted or wanted[0] < 1 or wanted[-1] > 65535 or len(wanted) * len(targets) > 2 * MOST_PORTS:
        raise ValueError(f"ports: expected ranges within 1 to 65535 and at most {MOST_PORTS} ports, saw {ports!r}")
    scanner = _Scanner(targets)
    try:
        scanner.send(wanted, min(rate, MOST_RATE))
        scanner.listen(time.monotonic() + timeout_s)
    finally:
        scanner.close()
    return {"answers": scanner.tell(), "asked": len(wanted), "no_way": scanner.no_way}


class _Scanner:
    def __init__(self, targets: Sequence[str]) -> None:
        self._port = 20_000 + int.from_bytes(os.urandom(2), "big") % 12_000  # below the kernel's own ephemeral range
        self._seq = int.from_bytes(os.urandom(4), "big")
        self._out = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW)
        self._in = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_TCP)
        self._in.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
        self._in.setblocking(False)
        self._found: dict[str, dict[str, set[int]]] = {}
        self._syns: list[tuple[str, Syns]] = []
        self.no_way: list[str] = []
        for text in targets:
            target = str(IPv4Address(text))
            self._found[target] = {"open": set(), "refused": set()}
            try:
                self._syns.append((target, Syns(find_source(target), target, self._port, self._seq)))
            except OSError:
                self.no_way.append(target)

    def send(self, ports: Sequence[int], rate: int) -> None:
        began, sent = time.monotonic(), 0
        for target, syns in self._syns:
            for port in ports:
                with suppress(OSError):  # no neighbour, or a full queue: that port is not answered for
                    self._out.sendto(syns.build(port), (target, 0))
                sent += 1
                if sent % _BURST == 0:
                    self._drain()
                    ahead_s = began + sent / rate - time.monotonic()
                    if ahead_s > 0:
                        time.sleep(ahead_s)

    def listen(self, deadline: float) -> None:
        with selectors.DefaultSelector() as poll:
            poll.register(self._in, selectors.EVENT_READ)
            while (left_s := deadline - time.monotonic()) > 0:
                if poll.select(left_s):
                    self._drain()

    def tell(self) -> dict[str, dict[str, list[int]]]:
        return {target: {how: sorted(ports) for how, ports in found.items()} for target, found in self._found.items()}

    def close(self) -> None:
        self._out.close()
        self._in.close()

    def _drain(self) -> None:
        while True:
            try:
                packet = self._in.recv(256)
            except BlockingIOError:
                return
            answer = parse_syn_answer(packet, self._port, self._seq)
            if answer is not None and answer[0] in self._found:
                self._found[answer[0]][answer[2]].add(answer[1])
