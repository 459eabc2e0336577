"""The last yard of the log's way: from rsyslog on the loopback to the syslog server. Layer: router firmware, I/O.

Open only while the server can be reached. Closed, it refuses rsyslog's connection, and rsyslog keeps its messages. In:
octet-counted frames (RFC 6587 3.4.1). Out: one datagram a message (RFC 5426 3.1), or octet-counted TCP.

Not here: the queue (rsyslog's), the message format (RFC 5424, rsyslog's).
"""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from typing import Literal

from emulators.common.service import log

GATE_PORT = 5514
"""On the loopback only; any free port would do."""
SEND_S = 10.0
"""How long a TCP server may take before the gate gives the connection up."""


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
    """Hands messages on to one server while it is open."""

    def __init__(self, server: str, port: int, transport: Literal["udp", "tcp"], source: str) -> None:
        self._to, self._transport, self._source = (server, port), transport, source
        self._listener: socket.socket | None = None
        self._inside: socket.socket | None = None

    def set_open(self, is_open: bool) -> None:
        """Open or close; rsyslog notices at its next try."""
        if is_open and self._listener is None:
            self._listener = socket.create_server(("127.0.0.1", GATE_PORT), backlog=1)
            threading.Thread(target=self._serve, args=(self._listener,), name="log gate", daemon=True).start()
        elif not is_open and self._listener is not None:
            listener, self._listener = self._listener, None
            for end in (listener, self._inside):
                if end is not None:
                    with suppress(OSError):
                        end.shutdown(socket.SHUT_RDWR)
            listener.close()

    def _serve(self, listener: socket.socket) -> None:
        while self._listener is listener:
            try:
                inside, _ = listener.accept()
            except OSError:
                return
            self._inside = inside
            with inside:
                try:
                    self._hand_on(inside)
                except (OSError, FrameError) as error:
                    log(f"log gate: {self._to[0]}:{self._to[1]}: {error}")

    def _hand_on(self, inside: socket.socket) -> None:
        with self._connect() as outside:
            rest = b""
            while data := inside.recv(65536):
                messages, rest = split_frames(rest + data)
                for message in messages:
                    framed = b"%d %s" % (len(message), message)
                    outside.sendall(framed if self._transport == "tcp" else message.rstrip(b"\n"))

    def _connect(self) -> socket.socket:
        if self._transport == "tcp":
            return socket.create_connection(self._to, SEND_S, source_address=(self._source, 0))
        outside = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        outside.bind((self._source, 0))
        outside.connect(self._to)
        return outside
