"""A carrier's portal: whatever is asked over HTTP or HTTPS, it says to pay or to sign in first. Layer: stand-in, I/O.

HTTP is answered 511 with a link to the portal (RFC 6585 section 6: for a proxy that intercepts). HTTPS gets the
portal's own certificate: it cannot have that of the server that was meant, as a client finds out (RFC 6585 section
6.1).
"""

from __future__ import annotations

import ssl
import subprocess
import tempfile
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

NAME = "account.carrier.example"
PAGE = f'<html><head><title>Account</title></head><body><a href="http://{NAME}/">Top up, or sign in</a></body></html>\n'
IDLE_S = 10.0  # our choice: a client that says nothing holds a thread no longer
_CERTIFY = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 30 -subj"


class _Handler(BaseHTTPRequestHandler):
    timeout = IDLE_S
    protocol_version = "HTTP/1.1"

    def _answer(self) -> None:
        body = PAGE.encode()
        self.send_response(511)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")  # RFC 6585 section 6: a cache MUST NOT store it
        self.send_header("Connection", "close")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)
        self.close_connection = True

    do_GET = do_HEAD = do_POST = do_PUT = _answer

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - http.server's own name
        """Say nothing: a portal is seen by what it answers."""


class _TlsServer(ThreadingHTTPServer):
    """Shakes hands in the connection's own thread, so that a slow client holds up nobody."""

    daemon_threads = True
    context: ssl.SSLContext | None = None

    def finish_request(self, request: Any, client_address: Any) -> None:
        if self.context is None:
            super().finish_request(request, client_address)
            return
        request.settimeout(IDLE_S)
        try:
            wrapped = self.context.wrap_socket(request, server_side=True)
        except OSError:  # ssl.SSLError too: the client did not like the certificate, or left
            return
        with wrapped:
            super().finish_request(wrapped, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of a client that broke off."""


def build_context() -> ssl.SSLContext:
    """Return a TLS context with a certificate that the portal made for itself."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    with tempfile.TemporaryDirectory() as folder:
        key, certificate = (str(Path(folder) / name) for name in ("key.pem", "certificate.pem"))
        command = [*_CERTIFY.split(), f"/CN={NAME}", "-addext", f"subjectAltName=DNS:{NAME}"]
        command += ["-keyout", key, "-out", certificate]
        subprocess.run(command, check=True, capture_output=True)
        context.load_cert_chain(certificate, key)
    return context


class Portal:
    """Listens at two ports of an address until it is closed."""

    def __init__(self, address: str, http_port: int, https_port: int) -> None:
        self._servers = [_TlsServer((address, http_port), _Handler), _TlsServer((address, https_port), _Handler)]
        self._servers[1].context = build_context()
        for server in self._servers:
            threading.Thread(target=server.serve_forever, name="portal", daemon=True).start()

    def close(self) -> None:
        """Stop listening."""
        for server in self._servers:
            server.shutdown()
            server.server_close()
