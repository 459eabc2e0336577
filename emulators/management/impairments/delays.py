"""The server's answers late, or never. Layer: stand-in.

What a server sends goes into its access log, right or wrong: `restconf.exchanged` is that log.
"""

from __future__ import annotations

import asyncio
from email.utils import formatdate
from time import time
from typing import TYPE_CHECKING

from aiohttp import web

from emulators.common.impair import Impair, Mend
from emulators.management.impairments.answers import PATHS

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext


def offer(bench: ManagementContext) -> dict[str, Impair]:
    server = bench.server

    def hang(at: str) -> Mend:
        """Take requests of one kind (a name of `PATHS`) and say nothing more. Its end is a restart: the connections
        that hang are cut."""
        free = asyncio.Event()

        async def hold(request: web.Request) -> web.StreamResponse | None:
            if request.path != PATHS[at]:
                return None
            await free.wait()
            if request.transport is not None:
                request.transport.abort()
            return web.Response(status=503)  # nobody is there to read it

        server.intercepts.append(hold)

        def end() -> None:
            server.intercepts.remove(hold)
            bench.loop.call_soon_threadsafe(free.set)

        return end

    def be_busy(retry_after_s: float, form: str) -> Mend:
        """Answer 503 with Retry-After, in seconds or as a date (RFC 9110 sections 15.6.4 and 10.2.3)."""

        async def put_off(request: web.Request) -> web.StreamResponse | None:
            if request.path not in PATHS.values():
                return None
            after = f"{retry_after_s:.0f}" if form == "seconds" else formatdate(time() + retry_after_s, usegmt=True)
            facts = {"method": request.method, "path": request.path, "status": 503, "serial": None, "error_tag": None}
            bench.console.emit("restconf.exchanged", **facts, summary=f"busy, Retry-After: {after}")
            return web.Response(status=503, headers={"Retry-After": after})

        server.intercepts.append(put_off)
        return lambda: server.intercepts.remove(put_off)

    return {"hang": hang, "be_busy": be_busy}
