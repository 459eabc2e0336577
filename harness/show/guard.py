"""Who may talk to the page's server: only this machine's own page, with the token. Layer: show, ASGI; computes only.

Another site open in the same browser must get nothing: by a name of its own that leads here (the Host header must be
ours), by a form or a script (the Origin must be ours; Sec-Fetch-Site, where a browser says it, too). No answer allows
any other origin anything. The token is compared in constant time.
"""

from __future__ import annotations

import hmac
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
}
OPEN = "/static/"


class Guard:
    """ASGI middleware around the application."""

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self._app, self._token = app, token
        self._hosts = (f"127.0.0.1:{port}", f"localhost:{port}")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        refusal = self.find_refusal(scope)
        if refusal is not None:
            status, text = refusal
            await JSONResponse({"error": text}, status)(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)

    def find_refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Return status and text of a refusal, or None where the request may pass."""
        headers = Headers(scope=scope)
        if headers.getlist("host") not in [[host] for host in self._hosts]:
            return 421, "not a name of this server"
        origins = headers.getlist("origin")
        if origins and origins not in [[f"http://{host}"] for host in self._hosts]:
            return 403, "another origin"
        if any(site not in ("same-origin", "none") for site in headers.getlist("sec-fetch-site")):
            return 403, "another site"
        if not scope["path"].startswith(OPEN) and not self._has_token(scope):
            return 403, "expected the token of the address that the command printed"
        return None

    def _has_token(self, scope: Scope) -> bool:
        query = parse_qs(scope["query_string"].decode("latin-1"))
        given = query.get("token", [])
        return len(given) == 1 and hmac.compare_digest(given[0].encode(), self._token.encode())
