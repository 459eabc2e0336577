"""The operator's own system, where alerts arrive: a webhook that takes CloudEvents 1.0. Layer: stand-in, I/O (aiohttp).

It is the witness of alerts: each event that the specification allows is told once as `alert.received` (source and id
name an event; the same pair again is the same event), anything else as `alert.rejected`. Runs in a thread with a loop
of its own. Not here: reading an event (emulators.common.cloudevents).
"""

from __future__ import annotations

import asyncio
import ssl
import threading
from typing import Any

from aiohttp import web

from emulators.common.cloudevents import CloudEvent, CloudEventError, parse_request
from emulators.common.server_tls import build_server_tls
from emulators.common.service import Console

START_TIMEOUT_S = 10.0
MOST_BODY_BYTES = 64 * 1024  # CloudEvents 1.0, "Size Limits": consumers should take 64 KB


class Webhook:
    """Answers POST on one path. Ids seen are kept: the process lives as long as a run."""

    def __init__(self, console: Console, path: str) -> None:
        self._console, self._path = console, path
        self._seen: set[tuple[str, str]] = set()

    def build_app(self) -> web.Application:
        app = web.Application(client_max_size=MOST_BODY_BYTES)
        app.router.add_post(self._path, self._take)
        return app

    async def _take(self, request: web.Request) -> web.Response:
        headers = {name.lower(): value for name, value in request.headers.items()}
        try:
            event = parse_request(headers, await request.read())
        except CloudEventError as error:
            self._console.emit("alert.rejected", error=str(error))
            return web.Response(status=400, text=f"{error}\n")
        if (event.source, event.id) not in self._seen:
            self._seen.add((event.source, event.id))
            self._console.emit("alert.received", **describe(event))
        return web.Response(status=204)


def describe(event: CloudEvent) -> dict[str, Any]:
    """Return what the bench says of an alert."""
    data = event.data if isinstance(event.data, dict) else {}
    told = {key: data.get(key) for key in ("condition", "state", "device")}
    return {key: getattr(event, key) for key in ("id", "source", "type", "subject", "time")} | told


def build_tls(settings: dict[str, Any]) -> ssl.SSLContext | None:
    """Return the server's context; None where it has no certificate."""
    if "certificate_pem" not in settings:
        return None
    return build_server_tls(settings["certificate_pem"], settings["key_pem"])


def start_webhook(console: Console, settings: dict[str, Any], host: str) -> None:
    """Serve in a thread; return once the port is open. Raises: OSError, TimeoutError."""
    opened = threading.Event()
    failed: list[OSError] = []

    async def serve() -> None:
        runner = web.AppRunner(Webhook(console, settings["path"]).build_app(), access_log=None)
        await runner.setup()
        try:
            await web.TCPSite(runner, host, int(settings["port"]), ssl_context=build_tls(settings)).start()
        except OSError as error:
            failed.append(error)
            return
        finally:
            opened.set()
        await asyncio.Event().wait()

    threading.Thread(target=lambda: asyncio.run(serve()), name="webhook", daemon=True).start()
    if not opened.wait(START_TIMEOUT_S):
        raise TimeoutError(f"the webhook did not open port {settings['port']} within {START_TIMEOUT_S} s")
    if failed:
        raise failed[0]
