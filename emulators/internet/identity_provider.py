"""The operators' identity provider: OpenID Connect discovery, keys and tokens over HTTPS. Layer: stand-in, I/O.

Serves at the address and under the path of its issuer, from a thread with a loop of its own. Not here: who gets which
token (sign_in.py), the operator who asks (operators_desk.py).
"""

from __future__ import annotations

import asyncio
import ssl
import threading
import time
import urllib.parse
from typing import Any

from aiohttp import web

from emulators.internet.sign_in import SignIn

MAX_FORM_BYTES = 16 * 1024
START_TIMEOUT_S = 10.0
DISCOVERY = "/.well-known/openid-configuration"


def build_app(sign_in: SignIn, path: str) -> web.Application:
    """Return the application under the issuer's path (empty where it has none)."""

    async def describe(request: web.Request) -> web.Response:
        return web.json_response(sign_in.describe())

    async def list_keys(request: web.Request) -> web.Response:
        return web.json_response(sign_in.list_keys())

    async def grant(request: web.Request) -> web.Response:
        form = {name: value for name, value in (await request.post()).items() if isinstance(value, str)}
        status, answer = sign_in.grant(form, time.time())
        return web.json_response(answer, status=status, headers={"Cache-Control": "no-store"})  # RFC 6749 section 5.1

    app = web.Application(client_max_size=MAX_FORM_BYTES)
    app.add_routes([web.get(path + DISCOVERY, describe), web.get(f"{path}/jwks", list_keys)])
    app.add_routes([web.post(f"{path}/token", grant)])
    return app


def start_identity_provider(
    sign_in: SignIn, issuer: str, host: str, tls: ssl.SSLContext, port: int | None = None
) -> int:
    """Serve in a thread; return the port once it is open. `port`: None for the issuer's own.

    Raises: OSError, TimeoutError.
    """
    parts = urllib.parse.urlsplit(issuer)
    wanted = port if port is not None else parts.port or 443  # RFC 9110 section 4.2.2
    opened = threading.Event()
    found: list[Any] = []

    async def serve() -> None:
        runner = web.AppRunner(build_app(sign_in, parts.path.rstrip("/")), access_log=None)
        await runner.setup()
        try:
            await web.TCPSite(runner, host, wanted, ssl_context=tls).start()
            found.append(runner.addresses[0][1])
        except OSError as error:
            found.append(error)
            return
        finally:
            opened.set()
        await asyncio.Event().wait()

    threading.Thread(target=lambda: asyncio.run(serve()), name="identity provider", daemon=True).start()
    if not opened.wait(START_TIMEOUT_S):
        raise TimeoutError(f"the identity provider did not open port {wanted} within {START_TIMEOUT_S} s")
    if isinstance(found[0], OSError):
        raise found[0]
    return int(found[0])
