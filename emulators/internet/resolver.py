"""Other resolvers on the internet: DNS over TLS (RFC 7858) and DNS over HTTPS (RFC 8484). Layer: stand-in, I/O.

Both hand each message, as it is, to the name server of this node and its answer back; in clear that one answers at the
same addresses itself (daemons.py). The certificate is made at the start and signed by itself: nobody checks it.
"""

from __future__ import annotations

import base64
import datetime
import socket
import socketserver
import ssl
import tempfile
import threading
import urllib.parse
from collections.abc import Sequence
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from emulators.common.dns_stream import read_message, write_message
from emulators.common.service import log

DNS_PORT, DOT_PORT, DOH_PORT = 53, 853, 443  # RFC 1035 section 4.2, RFC 7858 section 3.1, RFC 8484 section 5
DOH_PATH, DOH_TYPE = "/dns-query", "application/dns-message"  # RFC 8484 sections 4.1 (by example) and 6
RELAY_S = 2.0
IDLE_S = 10.0
LARGEST = 65_535


def start_resolvers(addresses: Sequence[str], names: Sequence[str], upstream: str) -> None:
    """Serve at the addresses, and return once both ports are open there. `names` go into the certificate."""
    context = _make_context(names)
    for address in addresses:
        for server in (_TlsServer(address, context, upstream), _HttpsServer(address, context, upstream)):
            threading.Thread(target=server.serve_forever, name="resolver", daemon=True).start()


def relay(query: bytes, upstream: str) -> bytes:
    """Ask the name server over TCP, which takes any size. Raises: OSError."""
    with socket.create_connection((upstream, DNS_PORT), RELAY_S) as line:
        write_message(line, query)
        return read_message(line)


class _Tls:
    """Puts TLS on each connection in its own thread, so that a slow hand-shake holds nobody up."""

    def __init__(self, context: ssl.SSLContext, upstream: str) -> None:
        self.context, self.upstream = context, upstream

    def wrap(self, line: socket.socket) -> ssl.SSLSocket:
        """Shake hands. Raises: OSError."""
        line.settimeout(IDLE_S)
        return self.context.wrap_socket(line, server_side=True)


class _TlsServer(socketserver.ThreadingTCPServer):
    allow_reuse_address, daemon_threads = True, True

    def __init__(self, address: str, context: ssl.SSLContext, upstream: str) -> None:
        self.tls = _Tls(context, upstream)
        super().__init__((address, DOT_PORT), _TlsMessages)


class _TlsMessages(socketserver.BaseRequestHandler):
    server: _TlsServer

    def handle(self) -> None:
        with suppress(OSError, EOFError), self.server.tls.wrap(self.request) as line:
            while True:
                answer = relay(read_message(line), self.server.tls.upstream)
                write_message(line, answer)


class _HttpsServer(ThreadingHTTPServer):
    allow_reuse_address, daemon_threads = True, True

    def __init__(self, address: str, context: ssl.SSLContext, upstream: str) -> None:
        self.tls = _Tls(context, upstream)
        super().__init__((address, DOH_PORT), _HttpsMessages)

    def server_bind(self) -> None:
        """Bind, and ask nobody for a name of the address, as the library would: this node resolves nothing."""
        socketserver.TCPServer.server_bind(self)
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])

    def finish_request(self, request: socket.socket, client_address: tuple[str, int]) -> None:  # type: ignore[override]
        """Serve one connection, in its thread."""
        with suppress(OSError), self.tls.wrap(request) as line:
            super().finish_request(line, client_address)


class _HttpsMessages(BaseHTTPRequestHandler):
    server: _HttpsServer
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        """Answer the message in the body (RFC 8484 section 4.1)."""
        length = self.headers.get("Content-Length", "")
        body = self.rfile.read(int(length)) if length.isdigit() and int(length) <= LARGEST else b""
        if self.path != DOH_PATH or self.headers.get_content_type() != DOH_TYPE or not body:
            self.send_error(415 if self.path == DOH_PATH else 404)
            return
        self._answer(body)

    def do_GET(self) -> None:
        """Answer the message in the parameter ``dns``, base64url without padding (RFC 8484 sections 4.1 and 6)."""
        parts = urllib.parse.urlsplit(self.path)
        text = urllib.parse.parse_qs(parts.query).get("dns", [""])[0]
        if parts.path != DOH_PATH or not text:
            self.send_error(404)
            return
        try:
            query = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
        except ValueError:
            self.send_error(400)
            return
        self._answer(query)

    def _answer(self, query: bytes) -> None:
        try:
            answer = relay(query, self.server.tls.upstream)
        except (OSError, EOFError):
            self.send_error(502)
            return
        self.send_response(200)
        self.send_header("Content-Type", DOH_TYPE)
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
        log(f"resolver {self.client_address[0]}: {format % args}")


def _make_context(names: Sequence[str]) -> ssl.SSLContext:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "resolver")])
    now = datetime.datetime.now(datetime.UTC).replace(tzinfo=None)
    builder = x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
    day = datetime.timedelta(days=1)
    builder = builder.not_valid_before(now - day).not_valid_after(now + day)
    if names:
        builder = builder.add_extension(x509.SubjectAlternativeName([x509.DNSName(n) for n in names]), critical=False)
    encoding, form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
    text = key.private_bytes(encoding, form, serialization.NoEncryption())
    text += builder.sign(key, hashes.SHA256()).public_bytes(encoding)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    with tempfile.TemporaryDirectory() as directory:  # the library takes keys from files only
        path = Path(directory) / "resolver.pem"
        path.write_bytes(text)
        context.load_cert_chain(path)
    return context
