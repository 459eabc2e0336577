"""HTTP as the device speaks it: mutual TLS to bootstrap servers, image downloads with resume. Layer: runtime, I/O.

Names are resolved by the uplink's name servers only; every address of a name is tried. A connection is kept for the
next request and given up when the uplink or the configuration changes. The device shows its certificate to trusted and
untrusted servers alike (RFC 8572 §5.3); an untrusted one is not checked, which the bootstrap machine makes up for.
"""

from __future__ import annotations

import hashlib
import http.client
import json
import socket
import ssl
import time
from collections.abc import Callable, Iterator, Mapping
from email.utils import formatdate, parsedate_to_datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from emulators.common.firmware import find_damage
from emulators.common.yang_json import MEDIA_TYPE

from .bootstrap_effects import Answer, Failure, Fetched, Server
from .names import ResolveError, resolve

TIMEOUT_S = 15.0  # common practice, for a mobile link: connect, and each read
FETCH_TRIES = 6  # our choice: in a row without a byte gained, of a transfer that was begun
BEGIN_TRIES = 2  # our choice: of one that was never begun, since TCP tries for 15 s itself and the next mirror waits
TOLD_EVERY_S = 10.0  # our choice: how often a long transfer is told of
FETCH_PAUSE_S = 1.0
CHUNK_BYTES = 64 * 1024
MAX_ANSWER_BYTES = 8 * 1024 * 1024

OnProgress = Callable[[int, int | None, float], None]
"""Is told of a transfer under way: bytes had, bytes in all (None: not known), seconds since it began."""


def ignore_progress(_had: int, _all: int | None, _took_s: float) -> None:
    """Make nothing of it."""


_Errors = (OSError, http.client.HTTPException, ValueError)


class _Connection(http.client.HTTPConnection):
    """A connection to a chosen address of a host, with TLS where a context is given."""

    def __init__(
        self, host: str, port: int, address: str, tls: ssl.SSLContext | None, timeout_s: float = TIMEOUT_S
    ) -> None:
        super().__init__(host, port, timeout=timeout_s)
        self._address, self._tls, self._timeout_s = address, tls, timeout_s

    def connect(self) -> None:
        self.sock = socket.create_connection((self._address, self.port), self._timeout_s)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._tls is not None:
            self.sock = self._tls.wrap_socket(self.sock, server_hostname=self.host)


def _keep_identity() -> None:
    """Leave the identity as it is."""


def _ignore_retry(_server: Server, _failure: Failure) -> None:
    """Make nothing of a request that is sent anew."""


class HttpClient:
    """`identity_file`: the device's certificate, its chain and key in PEM; `renew` brings it up to date before each
    connection. `name_servers` tells those of the moment. `on_retry` is told why a kept connection was given up."""

    def __init__(
        self,
        identity_file: Path,
        name_servers: Callable[[], tuple[str, ...]],
        timeout_s: float = TIMEOUT_S,
        renew: Callable[[], None] = _keep_identity,
        on_retry: Callable[[Server, Failure], None] = _ignore_retry,
    ) -> None:
        self._identity_file, self._name_servers, self._timeout_s = identity_file, name_servers, timeout_s
        self._renew, self._on_retry = renew, on_retry
        self._kept: dict[Server, _Connection] = {}
        self._reached = False

    def is_news(self, answer: Answer | Failure) -> bool:
        """Return whether this is the first good answer over the way out of the moment."""
        was, self._reached = self._reached, self._reached or (isinstance(answer, Answer) and answer.status < 300)
        return self._reached and not was

    def drop(self) -> None:
        """Give up every connection: the way out has changed."""
        self._reached = False
        kept, self._kept = self._kept, {}
        for connection in kept.values():
            connection.close()

    def post(self, server: Server, path: str, body: Mapping[str, Any]) -> Answer | Failure:
        """POST JSON. Every address of the server's name is tried until one answers."""
        content = json.dumps(body).encode()
        headers = {"Content-Type": MEDIA_TYPE, "Accept": MEDIA_TYPE, "Date": formatdate(time.time(), usegmt=True)}
        failure = Failure("connect", "no address")
        try:
            for connection, fresh in self._connections(server):
                try:
                    connection.request("POST", path, content, headers)
                    answer = _read_answer(connection.getresponse())
                except _Errors as error:
                    connection.close()
                    self._kept.pop(server, None)
                    failure = _classify(error, fresh)
                    if not fresh:
                        self._on_retry(server, failure)
                else:
                    self._kept[server] = connection
                    return answer
        except (ResolveError, ssl.SSLError) as error:
            failure = _classify(error, True)
        return failure

    def _connections(self, server: Server) -> Iterator[tuple[_Connection, bool]]:
        if (kept := self._kept.get(server)) is not None:
            yield kept, False
        tls = self._build_tls(server.trust_pem)
        for address in resolve(server.address, self._name_servers()):
            yield _Connection(server.address, server.port, address, tls, self._timeout_s), True

    def _build_tls(self, trust_pem: str | None) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.minimum_version = ssl.TLSVersion.TLSv1_2  # RFC 9325 §3.1.1
        if trust_pem is None:
            context.check_hostname = False
            context.verify_mode = ssl.CERT_NONE
        else:
            context.load_verify_locations(cadata=trust_pem)
            context.hostname_checks_common_name = False  # RFC 9525 §2: a Common Name is no identity
        self._renew()
        context.load_cert_chain(self._identity_file)
        return context

    def fetch(  # noqa: PLR0917 - what, how it is known to be right, whom to trust, where to, and how much of it
        self,
        uri: str,
        sha256: bytes | None,
        server: Server,
        target: Path,
        max_bytes: int,
        on_progress: OnProgress = ignore_progress,
    ) -> Fetched | Failure:
        """Download an image into `target`, resuming where a transfer broke, and check its SHA-256."""
        parts = urlsplit(uri)
        if parts.scheme not in ("https", "http") or not parts.hostname:
            return Failure("unsupported", f"expected an https or http URI, saw {uri}")
        began_s, download = time.monotonic(), _Download(target, max_bytes, on_progress)
        idle, failure = 0, Failure("connect", "not tried")
        while idle < (FETCH_TRIES if download.size else BEGIN_TRIES):
            had = download.size
            try:
                for connection in self._download_connections(parts.scheme, parts.hostname, parts.port, server):
                    failure = download.go_on(connection, parts.path or "/")
                    connection.close()
                    if download.complete or failure.kind in ("protocol", "space"):
                        break
            except (ResolveError, ssl.SSLError) as error:
                failure = _classify(error, True)
            if download.complete:
                return download.check(sha256, time.monotonic() - began_s)
            if failure.kind in ("tls", "protocol", "space"):
                return failure
            idle = 0 if download.size > had else idle + 1
            time.sleep(FETCH_PAUSE_S)
        return failure

    def _download_connections(self, scheme: str, host: str, port: int | None, server: Server) -> Iterator[_Connection]:
        tls = self._build_tls(server.trust_pem) if scheme == "https" else None
        for address in resolve(host, self._name_servers()):
            yield _Connection(host, port or (443 if tls else 80), address, tls)


class _Download:
    """A file that grows over several transfers of one resource (RFC 9110 §14, If-Range: §13.1.5)."""

    def __init__(self, target: Path, max_bytes: int, on_progress: OnProgress) -> None:
        self._target, self._max_bytes, self._on_progress = target, max_bytes, on_progress
        self._began_s = self._told_s = time.monotonic()
        self._etag: str | None = None
        self._digest = hashlib.sha256()
        self._tries = 0
        self.size = 0
        self.complete = False

    def go_on(self, connection: _Connection, path: str) -> Failure:
        """Transfer what is missing; the failure says what ended it, and means nothing once `complete`."""
        headers = {"Date": formatdate(time.time(), usegmt=True), "Accept-Encoding": "identity"}
        if self.size and self._etag:
            headers |= {"Range": f"bytes={self.size}-", "If-Range": self._etag}
        self._tries += 1
        try:
            connection.request("GET", path, headers=headers)
            response = connection.getresponse()
            return self._take(response)
        except _Errors as error:
            return _classify(error, True)

    def _take(self, response: http.client.HTTPResponse) -> Failure:
        if response.status not in (200, 206):
            temporary = response.status in (408, 429, 502, 503, 504)
            return Failure("connect" if temporary else "protocol", f"expected 200 or 206, saw {response.status}")
        expected = f"bytes {self.size}-"
        if response.status == 206 and not (response.getheader("Content-Range") or "").startswith(expected):
            return Failure("protocol", f"expected Content-Range {expected}, saw {response.getheader('Content-Range')}")
        if response.status == 200:  # the whole again: another version, or no ranges there
            self.size, self._digest = 0, hashlib.sha256()
        whole = None if response.length is None else self.size + response.length
        if whole is not None and whole > self._max_bytes:  # known before a byte of it is paid for (RFC 9110 §8.6)
            return Failure("space", f"expected at most {self._max_bytes} bytes (one slot), saw {whole} announced")
        etag = response.getheader("ETag")
        self._etag = etag if etag and not etag.startswith("W/") else None  # only a strong one may join parts
        with self._target.open("r+b" if self.size else "wb") as file:
            file.seek(self.size)
            while chunk := response.read1(CHUNK_BYTES):
                if self.size + len(chunk) > self._max_bytes:
                    return Failure("space", f"expected at most {self._max_bytes} bytes (one slot), saw more")
                file.write(chunk)
                self._digest.update(chunk)
                self.size += len(chunk)
                self._tell(whole)
        if response.length:
            raise http.client.IncompleteRead(b"", response.length)
        self.complete = True
        return Failure("connect", "")

    def _tell(self, whole: int | None) -> None:
        now_s = time.monotonic()
        if now_s - self._told_s >= TOLD_EVERY_S:
            self._told_s = now_s
            self._on_progress(self.size, whole, round(now_s - self._began_s, 6))

    def check(self, sha256: bytes | None, took_s: float) -> Fetched | Failure:
        seen = self._digest.digest()
        if sha256 is not None and seen != sha256:
            damage = find_damage(self._target.read_bytes())
            known = f"; by its own header {damage}" if damage else "; by its own header it is whole: another image"
            kind = "corrupted" if damage is None else damage.reason
            return Failure(kind, f"expected SHA-256 {sha256.hex()}, saw {seen.hex()}{known}")
        return Fetched(self.size, round(took_s, 6), self._tries - 1, seen.hex())


def _read_answer(response: http.client.HTTPResponse) -> Answer:
    body = response.read(MAX_ANSWER_BYTES + 1)
    if len(body) > MAX_ANSWER_BYTES:
        raise ValueError(f"an answer of more than {MAX_ANSWER_BYTES} bytes")
    retry = parse_retry_after(response.getheader("Retry-After"), time.time())
    etag = (response.getheader("ETag") or "").strip('"') or None
    return Answer(response.status, response.getheader("Content-Type") or "", body, retry, etag)


def parse_retry_after(value: str | None, now_s: float) -> float | None:
    """Return seconds to wait, from delay-seconds or an HTTP-date (RFC 9110 §10.2.3); None without a usable value."""
    if value is None:
        return None
    if value.strip().isdecimal():
        return float(value)
    try:
        return max(0.0, parsedate_to_datetime(value).timestamp() - now_s)
    except (ValueError, TypeError, OverflowError):
        return None


def read_alert(error: ssl.SSLError) -> str | None:
    """Return the alert that the other end sent (RFC 8446 §6.2: ``certificate expired``); None where none came."""
    _, mark, words = (error.reason or "").partition("_ALERT_")
    return words.lower().replace("_", " ") if mark else None


def _classify(error: Exception, fresh: bool) -> Failure:
    text = f"{type(error).__name__}: {error}" + ("" if fresh else " (on a kept connection)")
    if isinstance(error, ResolveError):
        return Failure("resolve", str(error))
    if isinstance(error, ssl.SSLCertVerificationError):
        return Failure("tls", f"server certificate: {error.verify_message} (OpenSSL verify error {error.verify_code})")
    if isinstance(error, ssl.SSLError):
        alert = read_alert(error)
        return Failure("tls", f"the server ends the handshake: alert {alert}" if alert else text)
    if isinstance(error, TimeoutError):
        return Failure("timeout", text)
    return Failure("connect" if isinstance(error, OSError | http.client.IncompleteRead) else "protocol", text)
