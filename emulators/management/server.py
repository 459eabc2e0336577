"""HTTP and TLS around the management machine. Layer: stand-in, I/O (aiohttp).

One listener with TLS 1.2 or later (RFC 9325) that asks for a client certificate without demanding one, so that a device
without a certificate is told 401 rather than cut off; two for the image alone, with TLS and without. A handshake that
fails is witnessed as `session.refused`: it is how a device with a wrong clock or a strange certificate shows.
"""

from __future__ import annotations

import asyncio
import ssl
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from aiohttp import web

from emulators.common.server_tls import build_server_tls
from emulators.common.service import Console
from emulators.management.identity import IdentityError, read_identity
from emulators.management.machine import Exchange, ManagementMachine
from emulators.management.ranges import choose_part, render_content_range
from emulators.management.restconf import MAX_BODY_BYTES, Request, RestconfError, render_error
from emulators.management.tcp_figures import find_figures, follow_figures

CHUNK_BYTES = 16 * 1024


@dataclass(frozen=True, slots=True)
class StoredImage:
    """One image of the firmware store. `etag` is strong: it is the image's SHA-256."""

    path: str
    data: bytes
    etag: str


def ignore_session(_serial: str | None) -> None:
    """Make nothing of a session."""


def find_serial(certificate_der: bytes | None) -> str | None:
    """Return the serial number of a client's certificate; None without one."""
    try:
        return read_identity(certificate_der).serial if certificate_der else None
    except IdentityError:
        return None


def build_tls(
    certificate_pem: str,
    key_pem: str,
    device_ca_pem: str,
    on_refused: Callable[[str], None],
    on_opened: Callable[[str | None], None] = ignore_session,
) -> ssl.SSLContext:
    """Return the server's TLS context. `on_refused` is told why a handshake failed, `on_opened` of each that did not
    (the serial of the client's certificate)."""
    context = build_server_tls(certificate_pem, key_pem)
    context.verify_mode = ssl.CERT_OPTIONAL
    context.load_verify_locations(cadata=device_ca_pem)

    class WitnessedHandshake(ssl.SSLObject):
        is_refused = False

        def do_handshake(self) -> None:
            try:
                super().do_handshake()
                on_opened(find_serial(self.getpeercert(binary_form=True)))
            except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
                raise  # more bytes are needed: no failure
            except ssl.SSLError as error:
                if self.is_refused:
                    raise
                self.is_refused = True
                on_refused(tell_refusal(error))
                # asyncio sends what lies ready only if the handshake goes on: so the alert that tells the client why
                # (RFC 8446 section 6.2) goes out; what comes next, or nothing, ends the handshake
                raise ssl.SSLWantReadError from error

    context.sslobject_class = WitnessedHandshake
    return context


def tell_refusal(error: ssl.SSLError) -> str:
    """Return why a handshake failed: what is wrong with the client's certificate, or what the client had to say."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"TLS handshake: client certificate: {error.verify_message}"
    _, mark, alert = (error.reason or "").partition("_ALERT_")
    if mark:
        return f"TLS handshake: the client ends it: alert {alert.lower().replace('_', ' ')}"
    return f"TLS handshake: {error.reason or error}"


def find_certificate(request: web.Request) -> bytes | None:
    """Return the client's certificate (DER, chain checked by TLS), or None."""
    tls: Any = request.transport.get_extra_info("ssl_object") if request.transport else None
    found: bytes | None = tls.getpeercert(binary_form=True) if tls else None
    return found


Intercept = Callable[[web.Request], Awaitable[web.StreamResponse | None]]
Alteration = Callable[[Request, Exchange], Exchange]
BeforeChunk = Callable[[web.Request, int, int], Awaitable[None]]
"""Is told how many bytes of an answer were sent and how many are next. Raises: ConnectionError where it broke off."""


def ignore_report(_serial: str, _message: str | None) -> None:
    """Make nothing of a device's report."""


class Server:
    """The web application: RESTCONF to the machine, images from the store."""

    def __init__(
        self,
        console: Console,
        machine: ManagementMachine,
        image: StoredImage,
        on_report: Callable[[str, str | None], None] = ignore_report,
    ) -> None:
        self._console, self._machine, self.image, self._on_report = console, machine, image, on_report
        self.image_path = image.path
        self.lacks_image = False
        """There is nothing under the image's path."""
        self.before_chunks: list[BeforeChunk] = []
        """Asked in turn before a part of an image is sent. For impairments."""
        self.alterations: list[Alteration] = []
        """What becomes of an answer of the machine's on its way out, in turn. For impairments."""
        self.intercepts: list[Intercept] = []
        """Asked in turn before a request is served: the first answer is the answer. For impairments."""

    def build_app(self, *, images_only: bool = False) -> web.Application:
        app = web.Application(client_max_size=MAX_BODY_BYTES)
        app.router.add_get(self.image_path, self._serve_image)  # answers HEAD too
        if not images_only:
            app.router.add_route("*", "/{path:.*}", self._serve_restconf)
        return app

    async def _intercept(self, request: web.Request) -> web.StreamResponse | None:
        for intercept in tuple(self.intercepts):
            answer = await intercept(request)
            if answer is not None:
                return answer
        return None

    async def _serve_restconf(self, request: web.Request) -> web.StreamResponse:
        if (instead := await self._intercept(request)) is not None:
            return instead
        try:
            body = await request.read()
        except web.HTTPRequestEntityTooLarge:
            error = render_error(RestconfError(413, "too-big", f"a body above {MAX_BODY_BYTES} bytes", "protocol"))
            return web.Response(status=413, body=error.body, headers=error.headers)
        headers = {name.lower(): value for name, value in request.headers.items()}
        heard = Request(request.method, request.path, headers, body, find_certificate(request))
        exchange = self._machine.handle(heard, time.time())
        for alter in tuple(self.alterations):
            exchange = alter(heard, exchange)
        answer = exchange.response
        response = web.Response(status=answer.status, body=answer.body or None, headers=answer.headers)
        if answer.status == 204:
            response.headers.pop("Content-Type", None)
        for event in exchange.events:
            self._console.emit(event.kind, **event.data)
            if event.kind == "report.received":
                self._on_report(event.data["serial"], event.data["message"])
        return response

    async def _serve_image(self, request: web.Request) -> web.StreamResponse:
        if (instead := await self._intercept(request)) is not None:
            return instead
        who = {"serial": find_serial(find_certificate(request)), "port": _find_port(request)}  # while it is there
        if self.lacks_image:
            self._console.emit("image.served", **who, status=404, range_start=0, bytes=0, took_s=0.0)
            return web.Response(status=404)
        started_s, image, ask = time.monotonic(), self.image, request.headers.get
        part = choose_part(len(image.data), image.etag, ask("Range"), ask("If-Range"), ask("If-None-Match"))
        headers = {"ETag": image.etag, "Accept-Ranges": "bytes", "Content-Type": "application/octet-stream"}
        if part.status in (206, 416):
            headers["Content-Range"] = render_content_range(part, len(image.data))
        response = web.StreamResponse(status=part.status, headers=headers)
        response.content_length = part.stop - part.start
        await response.prepare(request)
        sent, tcp = 0, None
        try:
            if request.method == "GET":
                for at in range(part.start, part.stop, CHUNK_BYTES):
                    chunk = image.data[at : min(at + CHUNK_BYTES, part.stop)]
                    for before in tuple(self.before_chunks):
                        await before(request, sent, len(chunk))
                    await response.write(chunk)
                    sent += len(chunk)
            await response.write_eof()
            tcp = await follow_figures(request.transport)
        finally:  # a transfer that broke is evidence too
            took_s = time.monotonic() - started_s
            tcp = tcp or find_figures(request.transport)
            sizes = {} if tcp is None else {"segments": tcp.sent, "retransmitted": tcp.retransmitted}
            facts = {"status": part.status, "range_start": part.start, "bytes": sent, "took_s": round(took_s, 6)}
            self._console.emit("image.served", **who, **facts, **sizes)
        return response


def _find_port(request: web.Request) -> int | None:
    """Return the port of ours that a request came to."""
    name = request.transport.get_extra_info("sockname") if request.transport else None
    return name[1] if name else None


class Mirror:
    """A listener of images that can be taken down and put up again. Its methods belong to the loop's thread."""

    def __init__(self, app: web.Application, port: int, tls: ssl.SSLContext | None) -> None:
        self._app, self._port, self._tls = app, port, tls
        self._runner: web.AppRunner | None = None

    async def open(self) -> None:
        """Listen."""
        if self._runner is None:
            self._runner = await start_site(self._app, None, self._port, self._tls)

    async def close(self) -> None:
        """Listen no more: who comes is refused (RFC 9293 section 3.5.2)."""
        runner, self._runner = self._runner, None
        if runner is not None:
            await runner.cleanup()

    async def cleanup(self) -> None:
        """As a runner: close."""
        await self.close()


async def start_site(app: web.Application, host: str | None, port: int, tls: ssl.SSLContext | None) -> web.AppRunner:
    """Listen; returns once connections are taken. The runner's `addresses` tell the port where `port` is 0."""
    runner = web.AppRunner(app, access_log=None)
    await runner.setup()
    await web.TCPSite(runner, host, port, ssl_context=tls).start()
    return runner


async def serve_forever(*runners: web.AppRunner | Mirror) -> None:
    try:
        await asyncio.Event().wait()
    finally:
        for runner in runners:
            await runner.cleanup()
