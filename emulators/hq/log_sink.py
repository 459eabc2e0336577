"""Headquarters' log server: by UDP (RFC 5426), TCP (RFC 6587) or TLS (RFC 5425). Layer: stand-in, I/O.

Each message that is one of RFC 5424 is told as `log.received`, any other as `log.rejected`; a handshake that the device
broke off is `log.refused`. With TLS the server can pose as another for a while, by a certificate of the same authority
for another name: a device that checks names sends it nothing. Not here: reading a message (syslog_message.py).
"""

from __future__ import annotations

import socket
import socketserver
import ssl
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from emulators.common.server_tls import build_server_tls
from emulators.common.service import Console, Handler, log
from emulators.hq.syslog_message import SyslogError, find_sequence, parse_message, split_stream

HANDSHAKE_S = 10.0
LONGEST_POSE_S = 30.0
FIELDS = ("facility", "severity", "timestamp", "hostname", "app", "procid", "msgid", "structured", "text")


class LogSink:
    """Takes in what comes. `settings`: transport, port and, for TLS, certificate_pem, key_pem and `other` (both)."""

    def __init__(self, console: Console, settings: Mapping[str, Any]) -> None:
        self._console, self._transport = console, str(settings["transport"])
        self._own = self._other = self._shown = None
        if self._transport == "tls":
            self._own = self._shown = build_server_tls(settings["certificate_pem"], settings["key_pem"])
            self._other = build_server_tls(settings["other"]["certificate_pem"], settings["other"]["key_pem"])
        self._lines: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._port = int(settings["port"])

    def start(self) -> None:
        """Listen. Raises: OSError."""
        server = build_server(self, self._port, datagrams=self._transport == "udp")
        threading.Thread(target=server.serve_forever, name="syslog", daemon=True).start()

    def verbs(self) -> dict[str, Handler]:
        """Return the verb of a server that can pose as another; none for a server without certificates."""
        return {"pose": self.pose} if self._other is not None else {}

    def pose(self, for_s: float) -> dict[str, Any]:
        """Show another's certificate for a while, then its own again, whatever happens."""
        began_ns = time.monotonic_ns()
        self._show(self._other)
        try:
            time.sleep(min(for_s, LONGEST_POSE_S))
        finally:
            self._show(self._own)
        return {"from_ns": began_ns, "until_ns": time.monotonic_ns()}

    def take(self, data: bytes, source: str) -> None:
        """Tell of one message."""
        try:
            message = parse_message(data)
        except SyslogError as error:
            self._console.emit("log.rejected", error=str(error), source=source)
            return
        fields = {key: getattr(message, key) for key in FIELDS}
        told = {"sequence": find_sequence(message), "transport": self._transport, "source": source}
        self._console.emit("log.received", **fields, **told, posing=self._shown is not self._own)

    def read(self, line: socket.socket, source: str) -> None:
        """Read a stream to its end."""
        context = self._shown
        try:
            if context is not None:
                line.settimeout(HANDSHAKE_S)
                line = context.wrap_socket(line, server_side=True)
                line.settimeout(None)
            with self._lock:
                self._lines.add(line)
            self._read_messages(line, source)
        except ssl.SSLError as error:
            self._console.emit("log.refused", reason=str(error.reason or error), source=source)
        except OSError as error:
            log(f"syslog {source}: {error}")
        finally:
            with self._lock:
                self._lines.discard(line)
            line.close()

    def _read_messages(self, line: socket.socket, source: str) -> None:
        rest = b""
        while data := line.recv(65536):
            try:
                messages, rest = split_stream(rest + data)
            except SyslogError as error:
                self._console.emit("log.rejected", error=str(error), source=source)
                return
            for message in messages:
                self.take(message, source)

    def _show(self, context: ssl.SSLContext | None) -> None:
        """Show a certificate from now on: standing connections, made with the one before, end."""
        with self._lock:
            self._shown, lines = context, tuple(self._lines)
        for line in lines:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)


def build_server(sink: LogSink, port: int, *, datagrams: bool) -> socketserver.BaseServer:
    """Return the listening server."""

    class Datagrams(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            sink.take(self.request[0], self.client_address[0])

    class Streams(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            sink.read(self.request, self.client_address[0])

    if datagrams:
        return socketserver.UDPServer(("", port), Datagrams)
    socketserver.ThreadingTCPServer.allow_reuse_address = True
    socketserver.ThreadingTCPServer.daemon_threads = True
    return socketserver.ThreadingTCPServer(("", port), Streams)
