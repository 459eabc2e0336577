"""The last yard of the log's way: from rsyslog on the loopback to the log server. Layer: router firmware, I/O.

rsyslog hands its messages over as octet-counted frames (RFC 6587 section 3.4.1); what cannot be sent waits here. Laws:

- Nothing is sent while the way is shut, and nothing before it has rested `SETTLE_S`: what the device says just as the
  tunnel goes down would else be sent into it before the device has noticed.
- A message of a stream counts as sent when it is acknowledged. Those that were not are sent again over the next
  connection. Order is kept.
- What was not sent when a configuration ends is for the next one's gate.

Not here: the way itself (log_ways.py), the messages' form (log_rules.py).
"""

from __future__ import annotations

import socket
import threading
import time
from collections import deque
from collections.abc import Iterable
from contextlib import suppress

from emulators.common.service import log

from .log_ways import Way

GATE_PORT = 5514
"""On the loopback only; any free port would do."""
SETTLE_S = 0.25
"""Longer than charon's word of a tunnel that ended takes to get here (10 ms were measured), with a wide margin."""
RETRY_S = 0.5
MOST_WAITING = 10_000
"""Messages taken before the server took them: beyond, rsyslog's own queue waits. Common practice for such a queue."""
MOST_UNDER_WAY = 64
LOOK_S = 0.02
ACKNOWLEDGED_S = 0.5
"""An acknowledgement may be delayed, by less than this (RFC 9293 section 3.8.6.3)."""
IDLE_S, JOIN_S = 60.0, 0.5


class FrameError(ValueError):
    """The stream is not made of octet-counted frames."""


def split_frames(data: bytes) -> tuple[list[bytes], bytes]:
    """Return the whole messages at the start of `data`, and the rest. Raises: FrameError."""
    messages: list[bytes] = []
    while b" " in data:
        length, rest = data.split(b" ", 1)
        if not length.isdigit() or len(length) > 7:
            raise FrameError(f"expected MSG-LEN, saw {data[:20]!r}")
        if len(rest) < int(length):
            break
        messages.append(rest[: int(length)])
        data = rest[int(length) :]
    return messages, data


class Gate:
    """Takes rsyslog's messages and hands them on while it is open."""

    def __init__(
        self,
        way: Way,
        kept: Iterable[bytes] = (),
        *,
        most: int = MOST_WAITING,
        settle_s: float = SETTLE_S,
        port: int = GATE_PORT,
    ) -> None:
        self._way, self._most, self._settle_s = way, most, settle_s
        self._changed = threading.Condition()
        self._waiting: deque[tuple[float, bytes]] = deque((0.0, message) for message in kept)
        self._under_way: deque[tuple[float, bytes]] = deque()
        self._is_open, self._stopping, self._connected = False, False, False
        self._listener = socket.create_server(("127.0.0.1", port), backlog=4)
        self.port: int = self._listener.getsockname()[1]
        self._sender = threading.Thread(target=self._send, name="log sender", daemon=True)

    def start(self) -> None:
        """Listen, and send what comes."""
        threading.Thread(target=self._listen, name="log gate", daemon=True).start()
        self._sender.start()

    def set_open(self, is_open: bool) -> None:
        """Open or shut the way."""
        with self._changed:
            self._is_open = is_open
            self._trim()
            self._changed.notify_all()

    def shut(self) -> None:
        """Shut the way, and end what is connected by it: nothing may leave once the tunnel is gone."""
        with self._changed:
            self.set_open(False)
            self._look_once()
            self._disconnect()

    def stop(self) -> list[bytes]:
        """End; return what may not have arrived."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._sender.join(JOIN_S)
        self._wait_acknowledged()
        self._way.close()
        with self._changed:
            return [message for _, message in (*self._under_way, *self._waiting)]

    def _wait_acknowledged(self) -> None:
        """Let an acknowledgement that is under way come in: else what has arrived would be sent once more."""
        until_s = time.monotonic() + ACKNOWLEDGED_S
        self._look_once()
        while self._under_way and self._is_open and time.monotonic() < until_s:
            time.sleep(LOOK_S)  # nobody tells of an acknowledgement
            self._look_once()

    # ------------------------------------------------------------ from rsyslog

    def _listen(self) -> None:
        while not self._stopping:
            try:
                inside, _ = self._listener.accept()
            except OSError:
                return
            with inside:
                try:
                    self._take(inside)
                except (OSError, FrameError) as error:
                    log(f"log gate: {error}")

    def _take(self, inside: socket.socket) -> None:
        rest = b""
        while data := inside.recv(65536):
            messages, rest = split_frames(rest + data)
            now_s = time.monotonic()
            with self._changed:
                self._waiting.extend((now_s, message.rstrip(b"\n")) for message in messages)
                self._trim()
                self._changed.notify_all()
                self._changed.wait_for(lambda: len(self._waiting) < MOST_WAITING or not self._is_open or self._stopping)

    def _trim(self) -> None:
        """While the way is shut, no more are kept than there is room for: the oldest go."""
        while not self._is_open and len(self._waiting) > self._most:
            self._waiting.popleft()

    # ------------------------------------------------------------ to the server

    def _send(self) -> None:
        while not self._stopping:
            try:
                if self._wait_due():
                    self._send_next()
            except OSError as error:
                log(f"log gate: {type(error).__name__}: {error}")
                self._take_back()

    def _wait_due(self) -> bool:
        """Block until a message is to be sent. False: it is over. Raises: OSError."""
        with self._changed:
            while not self._stopping:
                self._look()
                wait_s = self._find_wait()
                if wait_s <= 0:
                    return True
                self._changed.wait(min(wait_s, LOOK_S) if self._under_way else wait_s)
            return False

    def _find_wait(self) -> float:
        """Return how long there is nothing to send, at most, in seconds."""
        if not self._is_open or not self._waiting:
            return IDLE_S
        if len(self._under_way) >= MOST_UNDER_WAY:
            return LOOK_S
        return self._waiting[0][0] + self._settle_s - time.monotonic()

    def _send_next(self) -> None:
        if not self._connected:
            self._way.connect()
            self._connected = True
        self._way.check()
        with self._changed:
            if not self._is_open or self._stopping:
                return
            item = self._waiting.popleft()
            self._under_way.append(item)
        self._way.send(item[1])

    def _look(self) -> None:
        if self._connected and self._under_way and self._way.is_clear():
            self._under_way.clear()

    def _look_once(self) -> None:
        with suppress(OSError):
            self._look()

    def _take_back(self) -> None:
        """The way broke: what may not have arrived goes back to the head of the queue."""
        with self._changed:
            self._disconnect()
            self._changed.wait_for(lambda: self._stopping, RETRY_S)

    def _disconnect(self) -> None:
        self._way.close()
        self._connected = False
        self._waiting.extendleft(reversed(self._under_way))
        self._under_way.clear()
