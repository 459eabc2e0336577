"""The page's server: HTTP on loopback, for whoever has the token. Layer: show, I/O.

    GET  /             the page                 GET /static/NAME   its parts (no token: nothing in them is secret)
    GET  /scene        what is shown now        GET /events        the same, over and over (server-sent events)
    POST /act          {"act": NAME, ...}: 200 {} or 4xx {"error"}

Law: one task moves the show on and tells all pages; acts are done in the same loop, so nothing is shared with threads
but what `Show` takes care of. Who may ask: guard.py. Not here: what is shown and done (showing.py, live.py).
"""

from __future__ import annotations

import asyncio
import json
import socket
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from emulators.common.record import to_json
from harness.errors import InputError
from harness.show.guard import Guard
from harness.show.showing import ActError, Show

STATIC = Path(__file__).parent / "static"
TOKENS = Path(__file__).parent.parent / "page" / "static" / "tokens.css"
"""The colours that the report has, too."""
_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".woff2": "font/woff2"}
TICK_S = 0.02
LEAST_S = 0.05
"""At most 20 scenes a second."""
CALM_S = 0.25
"""How often a scene is sent in which nothing moved but time: the page reckons it on by itself."""
ALIVE_S = 10.0
"""After so long without a scene a comment is sent, so that a page which lost us notices."""
MOST_BODY = 8 * 1024
_TIME_ONLY = ("at_s", "live_s", "rate", "hint")
"""What of a scene moves with time alone (the hint says how far the bench is ahead)."""


class Stage:
    """The show with the task that moves it on. `news`: set anew with every scene that is to be sent."""

    def __init__(self, show: Show) -> None:
        self.show = show
        self.text = ""
        self.count = 0
        self.is_closing = False
        self._news = asyncio.Condition()
        self._scene: Mapping[str, Any] = {}
        self._still: Mapping[str, Any] = {}
        self._sent_ns = 0

    async def run(self) -> None:
        """Move the show on until cancelled."""
        while True:
            await self.move()
            await asyncio.sleep(TICK_S)  # the grain of the picture: below what an eye can tell apart

    async def move(self, *, at_once: bool = False) -> None:
        """Show what is due; send it if it is time."""
        now_ns = time.monotonic_ns()
        self.show.tick(now_ns)
        since_s = (now_ns - self._sent_ns) / 1e9
        if since_s < LEAST_S and not at_once:
            return
        scene = to_json(self.show.build_scene())
        still = {key: value for key, value in scene.items() if key not in _TIME_ONLY}
        is_due = since_s >= CALM_S and scene != self._scene
        if still != self._still or at_once or is_due:
            self._scene, self._still, self._sent_ns = scene, still, now_ns
            await self._send(scene)

    async def _send(self, scene: Mapping[str, Any]) -> None:
        self.text = json.dumps(scene, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
        async with self._news:
            self.count += 1
            self._news.notify_all()

    async def events(self) -> AsyncIterator[str]:
        """Yield the scenes, the last one first; a page that is slow misses some, and gets the newest."""
        told = 0
        self.show.watchers += 1
        try:
            while not self.is_closing:
                if told != self.count:
                    told = self.count
                    yield f"event: scene\ndata: {self.text}\n\n"
                elif not await self._wait_news():
                    yield ": still here\n\n"
        finally:
            self.show.watchers -= 1

    async def _wait_news(self) -> bool:
        """Wait for the next scene; False where none came for a while."""
        try:
            async with asyncio.timeout(ALIVE_S), self._news:
                await self._news.wait()
        except TimeoutError:
            return False
        return True

    async def close(self) -> None:
        """End all streams."""
        self.is_closing = True
        async with self._news:
            self._news.notify_all()


def build_app(show: Show, token: str, port: int) -> Starlette:
    """Return the application. `port`: that it is reached at."""
    stage = Stage(show)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        task = asyncio.create_task(stage.run())
        task.add_done_callback(_tell_failure)
        yield
        task.cancel()

    async def get_page(request: Request) -> Response:
        return FileResponse(STATIC / "index.html", media_type="text/html; charset=utf-8")

    async def get_static(request: Request) -> Response:
        name = request.path_params["name"]
        files = {file.name: file for file in (TOKENS, *STATIC.iterdir()) if file.suffix in _TYPES and file.is_file()}
        if name not in files:
            return JSONResponse({"error": "no such file"}, 404)
        return FileResponse(files[name], media_type=_TYPES[files[name].suffix])

    async def get_scene(request: Request) -> Response:
        await stage.move(at_once=True)
        return Response(stage.text, media_type="application/json")

    async def get_events(request: Request) -> Response:
        return StreamingResponse(stage.events(), media_type="text/event-stream")

    async def post_act(request: Request) -> Response:
        try:
            show.act(await _read_body(request))
        except (ActError, InputError) as error:
            return JSONResponse({"error": str(error)}, 409 if isinstance(error, InputError) else 400)
        await stage.move(at_once=True)
        return JSONResponse({})

    routes = [
        Route("/", get_page),
        Route("/static/{name}", get_static),
        Route("/scene", get_scene),
        Route("/events", get_events),
        Route("/act", post_act, methods=["POST"]),
    ]
    app = Starlette(routes=routes, lifespan=lifespan)
    app.state.stage = stage
    app.add_middleware(Guard, token=token, port=port)
    return app


async def _read_body(request: Request) -> Mapping[str, Any]:
    """Raises: ActError for a body that is too long, or no JSON object."""
    body = b""
    try:
        async for part in request.stream():
            body += part
            if len(body) > MOST_BODY:
                raise ActError(f"expected a body of at most {MOST_BODY} bytes")
    except ClientDisconnect as error:
        raise ActError("the page went away") from error
    try:
        found = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise ActError("expected a JSON object") from error
    if not isinstance(found, dict):
        raise ActError("expected a JSON object")
    return found


def _tell_failure(task: asyncio.Task[None]) -> None:
    """A show that cannot go on is our own bug: it must not go unseen."""
    if not task.cancelled() and (error := task.exception()) is not None:
        raise error


class Server(uvicorn.Server):
    """A server that ends its streams as it is told to stop: else it would wait for pages that never go."""

    def __init__(self, config: uvicorn.Config, stage: Stage) -> None:
        super().__init__(config)
        self.stage = stage

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        await self.stage.close()
        await super().shutdown(sockets)


def open_socket(port: int) -> socket.socket:
    """Return a socket that listens on loopback only. `port` 0: any that is free. Raises: OSError."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        listener.listen()  # whoever has the address may be quicker than the server
    except OSError:
        listener.close()
        raise
    return listener


def make_server(show: Show, token: str, listener: socket.socket) -> Server:
    """Return a server for a socket; `run(sockets=[listener])` runs it until it is told to stop."""
    app = build_app(show, token, listener.getsockname()[1])
    config = uvicorn.Config(
        app, log_level="error", access_log=False, server_header=False, date_header=False,
        timeout_graceful_shutdown=2, h11_max_incomplete_event_size=16 * 1024,
        limit_concurrency=64, ws="none",
    )  # fmt: skip
    return Server(config, app.state.stage)
