"""The probe ``largest``: which IPv4 packet still crosses with DF set. Layer: stand-in, I/O (one raw socket).

The socket is in IP_PMTUDISC_PROBE: it sets DF and heeds only the interface's own MTU, not what the kernel has learnt of
the path (RFC 1191's cache), so that every size is really sent. Needs NET_RAW. Pure part: icmp_echo.py.
"""

from __future__ import annotations

import errno
import os
import socket
import time
from typing import Any

from emulators.common.icmp_echo import Answer, build_echo, find_largest, parse_answer

NO_WAY = (errno.EMSGSIZE, errno.ENETUNREACH, errno.EHOSTUNREACH)
"""Larger than the interface's own MTU; no route; an answer that there is no host: of the subject's doing, all three."""
TRIES = 2  # a size that is lost once is asked again before it counts as too large
LEAST_WAIT_S = 0.5  # of a try whose echo may still be on its way; above any shaped link's jitter here
IP_MTU_DISCOVER, IP_PMTUDISC_PROBE = 10, 3  # linux/in.h; ip(7)


class _Echoes:
    """Sends echoes one by one and waits for what comes back for each."""

    def __init__(self, target: str, timeout_s: float) -> None:
        self._target, self._wait_s, self._timeout_s = target, timeout_s, timeout_s
        self._ident, self._seq = int.from_bytes(os.urandom(2), "big"), 0
        self.next_hop_mtus: list[int] = []
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP)
        self._socket.setsockopt(socket.IPPROTO_IP, IP_MTU_DISCOVER, IP_PMTUDISC_PROBE)

    def close(self) -> None:
        self._socket.close()

    def crosses(self, packet_bytes: int) -> bool:
        """Say whether an echo of this size is answered. No way to send it at all is a no, too."""
        for _ in range(TRIES):
            self._seq = (self._seq + 1) & 0xFFFF
            started = time.monotonic()
            try:
                self._socket.sendto(build_echo(self._ident, self._seq, packet_bytes), (self._target, 0))
            except OSError as error:
                if error.errno in NO_WAY:
                    return False
                raise
            answer = self._wait_answer(started + self._wait_s)
            if answer is not None and answer.kind == "reply":
                took_s = time.monotonic() - started
                self._wait_s = min(self._timeout_s, max(LEAST_WAIT_S, 5 * took_s))
                return True
            if answer is not None:
                self.next_hop_mtus.append(answer.next_hop_mtu)
                return False
        return False

    def _wait_answer(self, deadline: float) -> Answer | None:
        while (left_s := deadline - time.monotonic()) > 0:
            self._socket.settimeout(left_s)
            try:
                packet = self._socket.recv(65535)
            except TimeoutError:
                return None
            answer = parse_answer(packet)
            if answer is not None and (answer.ident, answer.seq) == (self._ident, self._seq):
                return answer
        return None


def find_largest_packet(target: str, low: int = 576, high: int = 1500, timeout_s: float = 2.0) -> dict[str, Any]:
    """Find the largest IPv4 packet that reaches `target` with DF set. `timeout_s` is for the first answer.

    ``bytes`` is 0 when not even `low` crossed. `low` 576: what every host must take (RFC 791 section 3.1).
    """
    echoes = _Echoes(target, timeout_s)
    try:
        search = find_largest(echoes.crosses, low, high)
    finally:
        echoes.close()
    return {
        "bytes": search.largest_bytes,
        "tried": [list(each) for each in search.tried],
        "next_hop_mtus": sorted(set(echoes.next_hop_mtus)),
    }
