"""Services on the internet for whoever may use them, and what came to them. Layer: stand-in, I/O (sockets).

At each address and port one listener takes what comes: a TLS handshake for any name (the certificate bears those of the
seed), an HTTP request, or anything else; a datagram that is a QUIC client Initial (RFC 9001) is sent back. Each that
brought at least one octet is kept, for the verb ``applications_seen``: kind, address, port, server name, octets, and
whether it was a whole request (a whole ClientHello). A connection that brings nothing is not kept: nobody used it.
"""

from __future__ import annotations

import datetime
import json
import socket
import ssl
import tempfile
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from emulators.common.quic_initial import QUIC_PORT, NotQuicError, open_initial
from emulators.common.service import Handler

BACKLOG, PATIENCE_S, READ_BYTES = 64, 5.0, 4096
MOST_KEPT = 2000
TLS_HANDSHAKE = 22  # RFC 8446 appendix B.1
NOTHING: dict[str, Any] = {"server_name": None, "bytes": 0, "whole": False}


class Applications:
    """The listeners. `names`: what the certificate bears."""

    def __init__(self, addresses: Sequence[str], ports: Sequence[int], names: Sequence[str]) -> None:
        self._addresses, self._ports, self._names = tuple(addresses), tuple(ports), tuple(names)
        self._lock = threading.Lock()
        self._seen: list[dict[str, Any]] = []
        self._certificate = make_certificate(self._names)

    def start(self) -> Applications:
        """Listen. Raises: OSError."""
        for address in self._addresses:
            for port in self._ports:
                line = socket.create_server((address, port), backlog=BACKLOG)
                self._spawn(self._accept, line, address, port)
            datagrams = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            datagrams.bind((address, QUIC_PORT))
            self._spawn(self._echo, datagrams, address)
        return self

    def verbs(self) -> dict[str, Handler]:
        """Return the handler of ``applications_seen``."""
        return {"applications_seen": self.tell}

    def tell(self, forget: bool = False) -> dict[str, Any]:
        """Return what came so far; with `forget` it is then forgotten."""
        with self._lock:
            seen = [dict(one) for one in self._seen]
            if forget:
                self._seen.clear()
        return {"seen": seen, "alive": True}

    @staticmethod
    def _spawn(work: Callable[..., None], *args: Any) -> None:
        threading.Thread(target=work, args=args, name="applications", daemon=True).start()

    def _accept(self, server: socket.socket, address: str, port: int) -> None:
        while True:
            line, _ = server.accept()
            self._spawn(self._serve, line, {"address": address, "port": port, "kind": "tcp"} | NOTHING)

    def _serve(self, line: socket.socket, told: dict[str, Any]) -> None:
        with suppress(OSError), line:
            line.settimeout(PATIENCE_S)
            first = line.recv(READ_BYTES, socket.MSG_PEEK)
            if not first:
                return
            told["bytes"] = len(first)
            self._keep(told)
            if first[0] == TLS_HANDSHAKE:
                told["kind"] = "tls"
                self._shake_hands(line, told)
                return
            told |= {"kind": "http" if first.startswith(b"GET ") else "tcp", "whole": True}
            line.recv(READ_BYTES)
            line.sendall(b"HTTP/1.1 200 OK\r\nConnection: close\r\nContent-Length: 3\r\n\r\nok\n")

    def _shake_hands(self, line: socket.socket, told: dict[str, Any]) -> None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self._certificate)

        def on_name(_line: ssl.SSLSocket | ssl.SSLObject, name: str | None, _context: ssl.SSLContext) -> None:
            told.update(server_name=name, whole=True)

        context.sni_callback = on_name
        with context.wrap_socket(line, server_side=True) as safe:
            safe.sendall(json.dumps(told).encode() + b"\n")

    def _echo(self, line: socket.socket, address: str) -> None:
        while True:
            data, sender = line.recvfrom(READ_BYTES)
            with suppress(NotQuicError, OSError):
                told = {"address": address, "port": QUIC_PORT, **NOTHING, "bytes": len(data), "whole": True}
                open_initial(data)
                self._keep(told | {"kind": "quic"})
                line.sendto(data, sender)

    def _keep(self, told: dict[str, Any]) -> None:
        with self._lock:
            if len(self._seen) < MOST_KEPT:
                self._seen.append(told)


def make_certificate(names: Sequence[str]) -> str:
    """Make a key and a certificate signed by itself for the names; return the path of the file with both."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "application")])
    now, day = datetime.datetime.now(datetime.UTC).replace(tzinfo=None), datetime.timedelta(days=1)
    builder = x509.CertificateBuilder(subject, subject, key.public_key(), x509.random_serial_number())
    builder = builder.not_valid_before(now - day).not_valid_after(now + day)
    if names:
        builder = builder.add_extension(x509.SubjectAlternativeName([x509.DNSName(n) for n in names]), critical=False)
    encoding, form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
    text = key.private_bytes(encoding, form, serialization.NoEncryption())
    text += builder.sign(key, hashes.SHA256()).public_bytes(encoding)
    path = Path(tempfile.mkdtemp()) / "application.pem"
    path.touch(mode=0o600)
    path.write_bytes(text)
    return str(path)
