"""The probe ``scan``: a SYN to each of many TCP ports of several targets. Layer: stand-in, I/O (raw sockets).

Half open: this node's own kernel answers a SYN-ACK with a reset. Packets: try_packets.py.
"""

from __future__ import annotations

import os
import selectors
import socket
import time
from collections.abc import Sequence
from contextlib import suppress
from ipaddress import IPv4Address
from typing import Any

from emulators.common.own_addresses import find_source
from emulators.common.try_packets import Syns, parse_syn_answer

MOST_PORTS = 70_000
MOST_RATE = 4_000
"""Packets a second of a scan at most; common practice, no source. The router looks into some 5000 a second on two slow
cores (measured): nothing else should wait for an answer meanwhile."""
PASSES = 2
"""A port that does not answer is asked once more, as TCP itself does (RFC 6298 section 5): on a busy machine a SYN, or
its answer, is lost or late now and then, and silence is taken for a shut port."""
_BURST = 32
_BUFFER_BYTES = 1 << 21


def scan(
    targets: Sequence[str], ports: Sequence[Sequence[int]], rate: int = 10_000, timeout_s: float = 0.8
) -> dict[str, Any]:
    """Send a SYN to each port (`ports`: ranges, both ends included) of each target; tell which answered, and how.
    `timeout_s`: how long answers are listened for after each pass.

    A SYN-ACK is answered by this node's own kernel with a reset, as for any connection that it does not know. Result:
    target to {open, refused (lists of ports)}, and ``asked``: ports a target. ``no_way``: targets without a route.
    """
    wanted = sorted({port for low, high in ports for port in range(low, high + 1)})
    if not wanted or wanted[0] < 1 or wanted[-1] > 65535 or len(wanted) * len(targets) > 2 * MOST_PORTS:
        raise ValueError(f"ports: expected ranges within 1 to 65535 and at most {MOST_PORTS} ports, saw {ports!r}")
    scanner = _Scanner(targets)
    try:
        for _ in range(PASSES):
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
        """Ask those that did not answer so far."""
        began, sent = time.monotonic(), 0
        for target, syns in self._syns:
            answered = set().union(*self._found[target].values())
            for port in (p for p in ports if p not in answered):
                with suppress(OSError):  # no neighbour, or a full queue: that port is not answered for
                    self._out.sendto(syns.build(port), (target, 0))
                sent += 1
                if sent % _BURST == 0:
                    self._drain()
                    ahead_s = began + sent / rate - time.monotonic()
                    if ahead_s > 0:
                        time.sleep(ahead_s)  # the pace is the probe's own: it may not flood

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
