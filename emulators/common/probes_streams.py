"""Probes ``udp_stream``, ``udp_listen``, ``udp_collect``: paced UDP and what arrives of it. Layer: stand-in, I/O.

A listener is opened by one verb and read by another, so that it is surely there before anything is sent. It closes by
itself after the time that it was given. Not here: packets, schedule and figures (streams.py).
"""

from __future__ import annotations

import ipaddress
import random
import socket
import threading
import time
from typing import Any

from emulators.common.streams import (
    IP_UDP_BYTES,
    MOST_SECONDS,
    Schedule,
    Stream,
    Tally,
    check_streams,
    decode,
    encode,
)

RECEIVE_BYTES = 4 * 1024 * 1024
MOST_PACKETS = 200_000
MOST_LINGER_S = 5.0
LOOK_S = 0.2

_listeners: dict[int, Listener] = {}
_lock = threading.Lock()


def udp_stream(streams: list[dict[str, Any]], linger_s: float = 0.0) -> dict[str, Any]:
    """Send streams side by side, each at its pace, and answer `linger_s` after the last packet. Result: of each stream
    the packets sent, and from when to when; how often the sender was held up."""
    if not 0 <= linger_s <= MOST_LINGER_S:
        raise ValueError(f"linger_s: expected up to {MOST_LINGER_S:g}, saw {linger_s}")
    wanted = [Stream(**one) for one in streams]
    check_streams(wanted)
    for one in wanted:
        ipaddress.IPv4Address(one.target)
    sockets = {one.flow: _open(one) for one in wanted}
    sent = dict.fromkeys(sockets, 0)
    stamps: dict[int, list[int]] = {flow: [] for flow in sockets}
    sizes = {one.flow: one.bytes for one in wanted}
    schedule = Schedule(wanted, time.monotonic_ns(), random.random)
    try:
        while (due := schedule.find_next()) is not None:
            at_ns, flow = due
            if (left_ns := at_ns - time.monotonic_ns()) > 0:
                time.sleep(left_ns / 1e9)
            now_ns = time.monotonic_ns()
            _send(sockets[flow], encode(flow, sent[flow], now_ns, sizes[flow]))
            sent[flow] += 1
            stamps[flow] = [*stamps[flow][:1], now_ns]
            schedule.note_sent(flow, now_ns)
    finally:
        for line in sockets.values():
            line.close()
    time.sleep(linger_s)  # what is under way shall arrive
    flows = [
        {"flow": flow, "sent": sent[flow], "began_ns": at[0], "ended_ns": at[-1]} for flow, at in stamps.items() if at
    ]
    return {"flows": flows, "late": schedule.late}


def udp_listen(port: int, seconds: float) -> dict[str, Any]:
    """Open a listener on a port, for at most `seconds`. One that was there before is closed."""
    if not 0 < seconds <= 2 * MOST_SECONDS:
        raise ValueError(f"seconds: expected up to {2 * MOST_SECONDS:g}, saw {seconds}")
    with _lock:
        before = _listeners.pop(port, None)
        if before is not None:
            before.stop()
        _listeners[port] = Listener(port, seconds)
    return {"port": port}


def udp_collect(port: int) -> dict[str, Any]:
    """Close the listener of a port and return what came, stream by stream. Raises: ValueError where there is none."""
    with _lock:
        listener = _listeners.pop(port, None)
    if listener is None:
        raise ValueError(f"port: nothing listens on {port}")
    return listener.stop()


class Listener:
    """Takes in streams on one port."""

    def __init__(self, port: int, seconds: float) -> None:
        self._line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BYTES)
        self._line.setsockopt(socket.IPPROTO_IP, socket.IP_RECVTOS, 1)
        self._line.settimeout(LOOK_S)
        self._line.bind(("", port))
        self._until_s = time.monotonic() + seconds
        self._flows: dict[int, Tally] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._listen, name=f"udp {port}", daemon=True)
        self._thread.start()

    def stop(self) -> dict[str, Any]:
        """Close, and return the figures."""
        self._stopping.set()
        self._thread.join()
        return {"flows": [tally.summarise(flow) for flow, tally in sorted(self._flows.items())]}

    def _listen(self) -> None:
        taken = 0
        with self._line:
            while taken < MOST_PACKETS and not self._stopping.is_set() and time.monotonic() < self._until_s:
                try:
                    payload, controls, _, _ = self._line.recvmsg(2048, 64)
                except TimeoutError:
                    continue
                now_ns = time.monotonic_ns()
                packet = decode(payload)
                if packet is not None:
                    taken += 1
                    flow, number, sent_ns = packet
                    tally = self._flows.setdefault(flow, Tally())
                    tally.add(number, sent_ns, now_ns, _find_dscp(controls), len(payload) + IP_UDP_BYTES)


def _open(stream: Stream) -> socket.socket:
    line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    line.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, stream.dscp << 2)  # RFC 2474 section 3: the upper six bits
    line.connect((stream.target, stream.port))
    return line


def _send(line: socket.socket, payload: bytes) -> None:
    try:
        line.send(payload)
    except OSError:  # an ICMP error of an earlier packet, or no room: it counts as sent, and is lost
        return


def _find_dscp(controls: list[tuple[int, int, bytes]]) -> int:
    for level, kind, value in controls:
        if level == socket.IPPROTO_IP and kind == socket.IP_TOS:
            return value[0] >> 2
    return 0
