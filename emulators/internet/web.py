"""The internet's web servers: HTTP on port 80 for the names of the seed. Layer: stand-in, I/O (aiohttp).

``/`` says who answers; ``/bytes/N`` gives N octets of a known pattern with their digest in Repr-Digest (RFC 9530), so
that a client can say whether it got all of them. A request for a name that is not served here gets 421 (RFC 9110
section 15.5.20). Runs in a thread with a loop of its own.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import ipaddress
import threading
from collections.abc import Awaitable, Callable, Iterator, Sequence

from aiohttp import web

HTTP_PORT = 80  # RFC 9110 section 4.2.1
MAX_BYTES = 1 << 30
START_TIMEOUT_S = 10.0
_BLOCK = bytes(range(256)) * 256

Answerer = Callable[[web.Request], Awaitable[web.StreamResponse]]


def pattern(count: int) -> Iterator[bytes]:
    """Yield `count` octets: 0, 1, ... 255 over and over, in blocks."""
    for offset in range(0, count, len(_BLOCK)):
        yield _BLOCK[: min(len(_BLOCK), count - offset)]


def digest_pattern(count: int) -> str:
    """Return the value of Repr-Digest for `count` octets."""
    digest = hashlib.sha256()
    for block in pattern(count):
        digest.update(block)
    return f"sha-256=:{base64.b64encode(digest.digest()).decode()}:"


def build_app(names: Sequence[str]) -> web.Application:
    """Return the application that serves `names` and its own addresses."""

    @web.middleware
    async def check_host(request: web.Request, handler: Answerer) -> web.StreamResponse:
        host = (request.host or "").rpartition(":")[0] or request.host
        if host not in names and not _is_address(host):
            return web.Response(status=421, text=f"{host} is not served here\n")
        return await handler(request)

    async def greet(request: web.Request) -> web.Response:
        return web.Response(text=f"{request.host}\n")

    async def give_bytes(request: web.Request) -> web.StreamResponse:
        count = int(request.match_info["count"])
        if count > MAX_BYTES:
            return web.Response(status=400, text=f"expected at most {MAX_BYTES} bytes, saw {count}\n")
        digest = await asyncio.to_thread(digest_pattern, count)
        headers = {"Content-Type": "application/octet-stream", "Repr-Digest": digest}
        response = web.StreamResponse(headers=headers)
        response.content_length = count
        await response.prepare(request)
        for block in pattern(count):
            await response.write(block)
        await response.write_eof()
        return response

    app = web.Application(middlewares=[check_host])
    app.add_routes([web.get("/", greet), web.get(r"/bytes/{count:\d{1,12}}", give_bytes)])
    return app


def start_web(names: Sequence[str], port: int = HTTP_PORT, host: str = "0.0.0.0") -> threading.Thread:
    """Serve in a thread; return once the port is open. Raises: OSError, TimeoutError."""
    opened = threading.Event()
    failed: list[OSError] = []

    async def serve() -> None:
        runner = web.AppRunner(build_app(names), access_log=None)
        await runner.setup()
        try:
            await web.TCPSite(runner, host, port).start()
        except OSError as error:
            failed.append(error)
            return
        finally:
            opened.set()
        await asyncio.Event().wait()

    thread = threading.Thread(target=lambda: asyncio.run(serve()), name="web", daemon=True)
    thread.start()
    if not opened.wait(START_TIMEOUT_S):
        raise TimeoutError(f"the web server did not open port {port} within {START_TIMEOUT_S} s")
    if failed:
        raise failed[0]
    return thread


def _is_address(host: str) -> bool:
    try:
        ipaddress.IPv4Address(host)
    except ValueError:
        return False
    return True
