"""How a message gets to the log server: by datagrams, by a stream, or by a stream inside TLS. Layer: firmware, I/O.

RFC 5426 section 3.1 (one message a datagram); octet counting of RFC 6587 section 3.4.1 on TCP, and of RFC 5425 section
4.3.1 on TLS, where the server's certificate must be signed by the authority of the configuration and made out for the
server's name or address (section 5.2). A stream knows what the server has acknowledged; a datagram is sent and gone.
"""

from __future__ import annotations

import array
import fcntl
import socket
import ssl
import struct
import termios
from contextlib import suppress
from typing import Protocol

from emulators.common.device_config import Logging

CONNECT_S = 5.0
SEND_S = 10.0
"""How long a server may take before the connection is given up; common practice for a mobile link."""
USER_TIMEOUT_MS = 30_000
"""RFC 5482: unacknowledged for so long, the connection is dead. An outage shorter than that loses nothing."""
MOST_DATAGRAM_BYTES = 2048
"""RFC 5426 section 3.2: what every receiver should take; RFC 5424 section 6.1 lets the end be cut off."""
TCP_USER_TIMEOUT = 18  # linux/tcp.h


class Way(Protocol):
    """One way to the server. Everything raises OSError where the way broke."""

    def connect(self) -> None: ...
    def send(self, message: bytes) -> None: ...
    def is_clear(self) -> bool:
        """Say whether nothing that was sent may still be under way."""

    def check(self) -> None:
        """Raises: OSError where the other end has gone."""

    def close(self) -> None: ...


class Datagrams:
    """UDP, from the branch's own address."""

    def __init__(self, server: str, port: int, source: str) -> None:
        self._to, self._source = (server, port), source
        self._socket: socket.socket | None = None

    def connect(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind((self._source, 0))
        self._socket.connect(self._to)

    def send(self, message: bytes) -> None:
        if self._socket is None:
            raise ConnectionError("not connected")
        self._socket.send(message[:MOST_DATAGRAM_BYTES])

    def is_clear(self) -> bool:
        return True

    def check(self) -> None:
        return

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None


class Stream:
    """TCP, or TLS where there is a context. The connection outlives an outage: TCP itself sends again."""

    def __init__(self, server: str, port: int, source: str, tls: ssl.SSLContext | None) -> None:
        self._to, self._source, self._tls = (server, port), source, tls
        self._socket: socket.socket | None = None

    def connect(self) -> None:
        plain = socket.create_connection(self._to, CONNECT_S, source_address=(self._source, 0))
        try:
            plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            plain.setsockopt(socket.IPPROTO_TCP, TCP_USER_TIMEOUT, USER_TIMEOUT_MS)
            made = plain if self._tls is None else self._tls.wrap_socket(plain, server_hostname=self._to[0])
            made.settimeout(SEND_S)
        except BaseException:
            plain.close()
            raise
        self._socket = made

    def send(self, message: bytes) -> None:
        self._get().sendall(b"%d %s" % (len(message), message))

    def is_clear(self) -> bool:
        count = array.array("i", [0])
        fcntl.ioctl(self._get().fileno(), termios.TIOCOUTQ, count)  # SIOCOUTQ, tcp(7): sent or not, not acknowledged
        return count[0] == 0

    def check(self) -> None:
        """A log server never speaks: what can be read is its good-bye (or TLS's own tickets)."""
        line = self._get()
        line.setblocking(False)
        try:
            while line.recv(4096):
                continue
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return
        finally:
            line.settimeout(SEND_S)
        raise ConnectionResetError("the log server closed the connection")

    def close(self) -> None:
        line, self._socket = self._socket, None
        if line is None:
            return
        if isinstance(line, ssl.SSLSocket):
            with suppress(OSError, ValueError):
                line.settimeout(0.0)
                line.unwrap()  # RFC 5425 section 4.4: close_notify first
        with suppress(OSError):  # at once, with a reset: no farewell is sent again when the tunnel is gone
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        line.close()

    def _get(self) -> socket.socket:
        if self._socket is None:
            raise ConnectionError("not connected")
        return self._socket


def build_way(logging: Logging, source: str) -> Way:
    """Return the way of a configuration. `source`: the device's own address to send from. Raises: ssl.SSLError."""
    if logging.transport == "udp":
        return Datagrams(logging.server, logging.port, source)
    tls = build_tls(logging.ca_pem) if logging.transport == "tls" else None
    return Stream(logging.server, logging.port, source, tls)


def build_tls(ca_pem: str | None) -> ssl.SSLContext:
    """Return a context that takes the authority's servers only, by name."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # checks chain and name
    context.minimum_version = ssl.TLSVersion.TLSv1_2  # RFC 5425 section 4.2 as updated by RFC 9662
    context.load_verify_locations(cadata=ca_pem or "")
    return context
