"""The probe ``try_applications``: many tries at services at once, each in the way that it says. Layer: stand-in, I/O.

Kinds: ``tls`` (a handshake with a server name, or none, or another's), ``http`` (plain, with a Host), ``tcp`` (a line
of text), ``udp`` (a question, try_packets.py), ``quic`` (a client Initial, RFC 9001). The ClientHello can be cut: into
TCP segments of `split` octets, into two within the server's name (`cut_name`), into TLS records of `records` octets
(RFC 8446 section 5.1 allows that). Nobody checks certificates: what is asked is who answers; their names are told.
"""

from __future__ import annotations

import json
import socket
import ssl
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import Any

from cryptography import x509

from emulators.common.quic_initial import build_initial
from emulators.common.service import Handler
from emulators.common.try_packets import build_payload

WORKERS, MOST_TRIES = 24, 200
PIECE_PAUSE_S = 0.004
"""Between two pieces, so that each goes out as a segment of its own."""
UDP_AGAIN_S = 0.4  # a datagram may be lost: sent again until the time is up
READ_BYTES = 4096
RECORD_HEAD_BYTES = 5  # RFC 8446 section 5.1

Locate = Callable[[str, float], str]


@dataclass(frozen=True, slots=True)
class _Try:
    kind: str
    address: str
    port: int
    server_name: str | None
    split: int
    records: int
    cut_name: bool
    token: str
    deadline: float

    @property
    def left_s(self) -> float:
        """Return what is left of the time. Raises: TimeoutError."""
        left_s = self.deadline - time.monotonic()
        if left_s <= 0:
            raise TimeoutError
        return left_s


def build_application_probes(locate: Locate) -> dict[str, Handler]:
    """Return the handler. `locate`: host name and seconds to address (LookupError)."""

    def try_applications(tries: Sequence[Mapping[str, Any]], timeout_s: float = 1.5) -> dict[str, Any]:
        if len(tries) > MOST_TRIES:
            raise ValueError(f"tries: expected at most {MOST_TRIES}, saw {len(tries)}")
        with ThreadPoolExecutor(WORKERS) as pool:
            return {"results": list(pool.map(lambda one: _attempt(one, locate, timeout_s), tries))}

    return {"try_applications": try_applications}


def _attempt(given: Mapping[str, Any], locate: Locate, timeout_s: float) -> dict[str, Any]:
    """One try {kind, host, port, server_name?, split?, records?, cut_name?, token?}. `outcome`: ``answered``,
    ``refused`` (ended by the other side, or by something on the way), ``silent``, ``unresolved``."""
    kind, host, port = str(given["kind"]), str(given["host"]), int(given["port"])
    told: dict[str, Any] = {"kind": kind, "host": host, "port": port, "address": None, "said": None, "error": None}
    try:
        address = locate(host, timeout_s)
    except LookupError as error:
        return told | {"outcome": "unresolved", "error": str(error)}
    told["address"] = str(IPv4Address(address))
    name = given.get("server_name")
    cuts = (int(given.get("split") or 0), int(given.get("records") or 0), bool(given.get("cut_name")))
    token = str(given.get("token") or "application")
    one = _Try(kind, address, port, name, *cuts, token, time.monotonic() + timeout_s)
    try:
        return told | {"outcome": "answered", "said": KINDS[kind](one)}
    except TimeoutError:
        return told | {"outcome": "silent"}
    except (OSError, EOFError) as error:
        return told | {"outcome": "refused", "error": f"{type(error).__name__}: {error}"}


# ---------------------------------------------------------------- TLS


def cut_records(hello: bytes, size: int) -> bytes:
    """Return the same handshake message in records of at most `size` octets. `hello` is one whole record."""
    head, body = hello[:3], hello[RECORD_HEAD_BYTES:]
    pieces = [body[at : at + size] for at in range(0, len(body), size)]
    return b"".join(head + len(piece).to_bytes(2, "big") + piece for piece in pieces)


def find_cuts(data: bytes, split: int, name: str | None) -> list[bytes]:
    """Return data in pieces of `split` octets (0: whole), or cut in the middle of a name where that is given."""
    if name is not None and (at := data.find(name.encode("ascii"))) >= 0:
        middle = at + len(name) // 2
        return [data[:middle], data[middle:]]
    return [data[at : at + split] for at in range(0, len(data), split)] if split else [data]


def _try_tls(one: _Try) -> dict[str, Any]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
    session = context.wrap_bio(incoming, outgoing, server_hostname=one.server_name)
    with _connect(one) as line:
        first = True
        while not _step(session.do_handshake):
            data = outgoing.read()
            if data:
                _send(line, cut_records(data, one.records) if first and one.records else data, one, first)
                first = False
            _feed(line, incoming, one)
        line.sendall(outgoing.read())
        read: list[bytes] = []
        while not _step(lambda: read.append(session.read(READ_BYTES))):
            _feed(line, incoming, one)
    certificate = session.getpeercert(binary_form=True)
    said = _read_line(read[0])
    return {**said, "names": _list_names(certificate) if certificate else []}


def _step(advance: Callable[[], object]) -> bool:
    try:
        advance()
    except ssl.SSLWantReadError:
        return False
    return True


def _feed(line: socket.socket, incoming: ssl.MemoryBIO, one: _Try) -> None:
    line.settimeout(one.left_s)
    data = line.recv(READ_BYTES)
    if not data:
        raise EOFError("the connection ended")
    incoming.write(data)


def _list_names(certificate: bytes) -> list[str]:
    parsed = x509.load_der_x509_certificate(certificate)
    try:
        extension = parsed.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except x509.ExtensionNotFound:
        return []
    return extension.value.get_values_for_type(x509.DNSName)


# ---------------------------------------------------------------- in clear


def _try_http(one: _Try) -> dict[str, Any]:
    request = f"GET /{one.token} HTTP/1.1\r\nHost: {one.server_name or one.address}\r\nConnection: close\r\n\r\n"
    with _connect(one) as line:
        _send(line, request.encode("ascii"), one, first=True)
        return {"text": _receive(line, one)[:80].decode("ascii", "replace")}


def _try_tcp(one: _Try) -> dict[str, Any]:
    with _connect(one) as line:
        _send(line, f"{one.token}\r\n".encode("ascii"), one, first=True)
        return {"text": _receive(line, one)[:80].decode("ascii", "replace")}


def _try_udp(one: _Try) -> dict[str, Any]:
    return {"text": _ask(one, build_payload(one.token))[:80].decode("ascii", "replace")}


def _try_quic(one: _Try) -> dict[str, Any]:
    return {"bytes": len(_ask(one, build_initial()))}


KINDS: dict[str, Callable[[_Try], dict[str, Any]]] = {
    "tls": _try_tls,
    "http": _try_http,
    "tcp": _try_tcp,
    "udp": _try_udp,
    "quic": _try_quic,
}


def _ask(one: _Try, data: bytes) -> bytes:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        line.connect((one.address, one.port))
        while True:
            line.settimeout(min(UDP_AGAIN_S, one.left_s))
            line.send(data)
            try:
                return line.recv(READ_BYTES)
            except TimeoutError:
                continue


def _connect(one: _Try) -> socket.socket:
    line = socket.create_connection((one.address, one.port), one.left_s)
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return line


def _send(line: socket.socket, data: bytes, one: _Try, first: bool) -> None:
    pieces = find_cuts(data, one.split, one.server_name if one.cut_name else None) if first else [data]
    for place, piece in enumerate(pieces):
        if place:
            time.sleep(PIECE_PAUSE_S)  # so that each piece is a segment of its own
        line.settimeout(one.left_s)
        line.sendall(piece)


def _receive(line: socket.socket, one: _Try) -> bytes:
    line.settimeout(one.left_s)
    data = line.recv(READ_BYTES)
    if not data:
        raise EOFError("the connection ended")
    return data


def _read_line(data: bytes) -> dict[str, Any]:
    try:
        said = json.loads(data)
    except ValueError:
        return {"text": data[:80].decode("ascii", "replace")}
    return said if isinstance(said, dict) else {"text": str(said)}
