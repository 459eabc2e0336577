"""Redirect-information (RFC 8572 section 2.1) instead of onboarding information. Layer: stand-in, I/O.

The second server is this machine's, under another port with a certificate of another authority: it knows the same
devices and has the same for them.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from aiohttp import web

from emulators.common.conveyed import RedirectServer, render_redirect, wrap
from emulators.common.impair import Impair, Mend
from emulators.common.yang_json import OUTPUT, encode_binary
from emulators.management.impairments.answers import PATHS
from emulators.management.machine import Exchange
from emulators.management.restconf import Request
from emulators.management.server import Server, build_tls, start_site

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext

START_S = 10.0


def send_on(to: RedirectServer) -> Callable[[Request, Exchange], Exchange]:
    """Return what makes bootstrapping data a redirect to another server."""

    def alter(request: Request, exchange: Exchange) -> Exchange:
        if request.path != PATHS["data"] or exchange.response.status != 200:
            return exchange
        body = json.dumps({OUTPUT: {"conveyed-information": encode_binary(wrap(render_redirect((to,))))}}).encode()
        events = tuple(e for e in exchange.events if e.kind != "config.served")
        return Exchange(replace(exchange.response, body=body), events)

    return alter


def open_second(bench: ManagementContext, then_to: RedirectServer | None) -> Mend:
    """Have the second server, which sends on whoever comes, or serves."""
    settings = bench.seed["settings"]
    second = settings["second"]
    server = Server(bench.console, bench.machine, bench.server.image)
    if then_to is not None:
        server.alterations.append(send_on(then_to))

    def tell_refused(reason: str) -> None:
        bench.console.emit("session.refused", reason=reason, serial=None)

    def tell_opened(serial: str | None) -> None:
        bench.console.emit("session.opened", serial=serial)

    pair = (second["certificate_pem"], second["key_pem"])
    tls = build_tls(*pair, settings["tls"]["device_ca_pem"], tell_refused, tell_opened)
    runner = _wait(bench.loop, start_site(server.build_app(), None, second["port"], tls))

    def close() -> None:
        _wait(bench.loop, _clean_up(runner))

    return close


def offer(bench: ManagementContext) -> dict[str, Impair]:
    settings = bench.seed["settings"]
    second = settings["second"]

    def redirect(anchor: str) -> Mend:
        """Send devices on to the second server; `anchor`: whether its authority is told (``given`` or ``left_out``)."""
        close = open_second(bench, None)
        return begin(
            RedirectServer(second["address"], second["port"], second["ca_pem"] if anchor == "given" else None), close
        )

    def redirect_round(address: str, port: float, by: str) -> Mend:
        """Send devices back to where they come from, at once (``itself``) or by way of the second server."""
        first = RedirectServer(address, int(port), settings["tls"]["server_ca_pem"])
        if by == "itself":
            return begin(first, lambda: None)
        return begin(RedirectServer(second["address"], second["port"], second["ca_pem"]), open_second(bench, first))

    def begin(to: RedirectServer, close: Mend) -> Mend:
        alter = send_on(to)
        bench.server.alterations.append(alter)

        def end() -> None:
            bench.server.alterations.remove(alter)
            close()

        return end

    return {"redirect": redirect, "redirect_round": redirect_round}


async def _clean_up(runner: web.AppRunner) -> None:
    await runner.cleanup()


def _wait(loop: asyncio.AbstractEventLoop, doing: Any) -> Any:
    return asyncio.run_coroutine_threadsafe(doing, loop).result(START_S)
