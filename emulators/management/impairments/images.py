"""What is wrong with the firmware store: what lies there, and how it comes. Layer: stand-in, I/O.

A store knows nothing of what it holds: its entity tag is the digest of the bytes that are there (RFC 9110 section
8.8.3), right or wrong. What the branch is told of its image (the SHA-256) changes only where the wrong image was
entered for it.
"""

from __future__ import annotations

import asyncio
import base64
import fcntl
import hashlib
import socket
import struct
import termios
from collections.abc import Coroutine
from typing import TYPE_CHECKING, Any

from aiohttp import web

from emulators.common.firmware import Sketch
from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run
from emulators.management.render import MIRROR_PORT, build_offer
from emulators.management.server import BeforeChunk, Server, StoredImage

if TYPE_CHECKING:
    from emulators.management.main import ManagementContext

DRAIN_PAUSE_S = 0.02
LOOP_S = 10.0
"""For the server's loop to do what it is told. A timeout: it protects us."""


def offer(bench: ManagementContext) -> dict[str, Impair]:
    store = _Store(bench)
    return {
        "lose_image": store.lose_image,
        "truncate_image": store.truncate_image,
        "corrupt_image": store.corrupt_image,
        "replace_image": store.replace_image,
        "kill_first_mirror": store.kill_first_mirror,
        "reset_transfers": store.reset_transfers,
        "slow_transfers": store.slow_transfers,
    }


class _Store:
    def __init__(self, bench: ManagementContext) -> None:
        self._bench = bench

    @property
    def _server(self) -> Server:
        return self._bench.server

    def lose_image(self) -> Mend:
        """Nothing is under the image's path."""
        self._server.lacks_image = True

        def find_again() -> None:
            self._server.lacks_image = False

        return find_again

    def truncate_image(self, kept_pct: float) -> Mend:
        """The file broke off on its way into the store."""
        return self._hold(cut(self._server.image.data, kept_pct))

    def corrupt_image(self, at_pct: float) -> Mend:
        """One byte of the file is another."""
        return self._hold(flip(self._server.image.data, at_pct))

    def replace_image(self, by: str) -> Mend:
        """Another image was entered for the branch, in good faith: its digest is the one that devices are told."""
        settings, served = self._bench.seed["settings"], self._bench.machine.offer
        firmware = settings["firmware"]
        spare = firmware["spares"][by]
        front = base64.b64decode(spare["front_base64"], validate=True)
        data = Sketch(front, spare["filler_label"], spare["filler_bytes"]).render()
        entered = {**firmware, "sha256": hashlib.sha256(data).hexdigest()}
        self._bench.machine.serve(build_offer({**settings, "firmware": entered}))
        put_back = self._hold(data)

        def enter_again() -> None:
            put_back()
            self._bench.machine.serve(served)

        return enter_again

    def kill_first_mirror(self, how: str) -> Mend:
        """``refused``: the machine is there, its server is not. ``silent``: no answer to anything."""
        if how == "refused":
            self._in_loop(self._bench.first_mirror.close())
            return lambda: self._in_loop(self._bench.first_mirror.open())
        run(["nft", "-f", "-"], text=render_silence(MIRROR_PORT))
        return lambda: run(["nft", "delete", "table", "inet", "silence"])

    def reset_transfers(self, at_pct: float) -> Mend:
        """Something on the way breaks off every transfer that carried so much of an image."""
        limit = len(self._server.image.data) * at_pct / 100

        async def reset(request: web.Request, sent: int, size: int) -> None:
            if sent + size > limit:
                await _reset(request)

        return self._before_chunks(reset)

    def slow_transfers(self, rate_bps: float) -> Mend:
        """The store, or the line before it, is crowded: a transfer gets no more than so much."""

        async def wait(request: web.Request, sent: int, size: int) -> None:
            await asyncio.sleep(size * 8 / rate_bps)  # the slow line itself

        return self._before_chunks(wait)

    def _hold(self, data: bytes) -> Mend:
        """Have the store hold other bytes."""
        before = self._server.image
        self._server.image = StoredImage(before.path, data, f'"{hashlib.sha256(data).hexdigest()}"')

        def put_back() -> None:
            self._server.image = before

        return put_back

    def _before_chunks(self, before: BeforeChunk) -> Mend:
        self._server.before_chunks.append(before)
        return lambda: self._server.before_chunks.remove(before)

    def _in_loop(self, doing: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(doing, self._bench.loop).result(LOOP_S)


def cut(image: bytes, kept_pct: float) -> bytes:
    """Return the first part of an image, never all of it."""
    return image[: min(len(image) - 1, int(len(image) * kept_pct / 100))]


def flip(image: bytes, at_pct: float) -> bytes:
    """Return an image with every bit of one byte flipped."""
    spot = min(len(image) - 1, int(len(image) * at_pct / 100))
    return image[:spot] + bytes([image[spot] ^ 0xFF]) + image[spot + 1 :]


def render_silence(port: int) -> str:
    """Return the nft script that drops what comes to a port, unanswered."""
    return (
        "table inet silence {\n"
        "  chain arriving {\n"
        "    type filter hook prerouting priority -400; policy accept;\n"
        f"    tcp dport {port} drop\n"
        "  }\n"
        "}\n"
    )


async def _reset(request: web.Request) -> None:
    """Send what is under way, then a reset. Raises: ConnectionResetError."""
    transport = request.transport
    if transport is None:
        raise ConnectionResetError("gone already")
    line: socket.socket = transport.get_extra_info("socket")
    while not transport.is_closing() and (transport.get_write_buffer_size() or _count_unacknowledged(line)):
        await asyncio.sleep(DRAIN_PAUSE_S)  # what was sent before the break arrives
    if not transport.is_closing():
        line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))  # socket(7): close sends a reset
        transport.abort()
    raise ConnectionResetError("broken off")


def _count_unacknowledged(line: socket.socket) -> int:
    """Return how many bytes the peer has not acknowledged (tcp(7), SIOCOUTQ)."""
    answer = fcntl.ioctl(line.fileno(), termios.TIOCOUTQ, struct.pack("i", 0))
    count: int = struct.unpack("i", answer)[0]
    return count
