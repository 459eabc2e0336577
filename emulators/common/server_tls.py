"""A server's side of TLS, for all stand-ins that serve. Layer: stand-in, I/O (a file that is gone at once)."""

from __future__ import annotations

import ssl
from pathlib import Path
from tempfile import TemporaryDirectory


def build_server_tls(certificate_pem: str, key_pem: str) -> ssl.SSLContext:
    """Return a server's context, TLS 1.2 at least (RFC 9325 section 3.1.1). Raises: ssl.SSLError."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    load_pair(context, certificate_pem, key_pem)
    return context


def load_pair(context: ssl.SSLContext, certificate_pem: str, key_pem: str) -> None:
    """Give a context another certificate: handshakes from now on show it. Raises: ssl.SSLError."""
    with TemporaryDirectory() as folder:  # the ssl module takes a key from a file only
        path = Path(folder) / "server.pem"
        path.touch(mode=0o600)
        path.write_text(f"{key_pem}\n{certificate_pem}")
        context.load_cert_chain(path)
