"""Gives and takes test bodies over TCP, in pieces of any size. Layer: stand-in, I/O (sockets).

One line asks: ``give SIGNATURE clean|dirty PIECE WHO`` or ``take SIGNATURE clean|dirty LENGTH WHO``; then the body
comes, or goes. After a body that it took, the listener tells its digest. What each peer sent is kept for the verb
``exchange_seen``: so it is known whether a body came whole, whatever the peer heard of it. Bodies: threat_bodies.py.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any

from emulators.common.service import Handler
from emulators.common.threat_bodies import build_body, digest_body

PATIENCE_S, READ_BYTES, LINE_BYTES, BACKLOG = 4.0, 4096, 200, 64
PIECE_PAUSE_S = 0.002
"""Between two pieces, so that each goes out as a segment of its own."""
MOST_KEPT, WORKERS = 2000, 16


class Exchange:
    """The listeners of one node."""

    def __init__(self, ports: Sequence[int], addresses: Sequence[str] = ("",)) -> None:
        self._ends = [(address, port) for address in addresses for port in ports]
        self._lock = threading.Lock()
        self._seen: list[dict[str, Any]] = []

    def start(self) -> Exchange:
        """Listen. Raises: OSError."""
        for end in self._ends:
            server = socket.create_server(end, backlog=BACKLOG)
            threading.Thread(target=self._accept, args=(server,), name="exchange", daemon=True).start()
        return self

    def verbs(self) -> dict[str, Handler]:
        """Return the handler of ``exchange_seen``."""
        return {"exchange_seen": self.tell}

    def tell(self, forget: bool = False) -> dict[str, Any]:
        """Return every body that was asked for or came: {client, who, way, signature, clean, bytes, whole}."""
        with self._lock:
            seen = [dict(one) for one in self._seen]
            if forget:
                self._seen.clear()
        return {"seen": seen, "alive": True}

    def _accept(self, server: socket.socket) -> None:
        while True:
            line, (client, _) = server.accept()
            threading.Thread(target=self._serve, args=(line, client), name="exchange", daemon=True).start()

    def _serve(self, line: socket.socket, client: str) -> None:
        with suppress(OSError, ValueError, KeyError), line:
            line.settimeout(PATIENCE_S)
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            way, signature, kind, number, who = _read_line(line).split()
            body = build_body(signature, kind == "clean")
            told: dict[str, Any] = {
                "client": client,
                "who": who,
                "way": way,
                "signature": signature,
                "clean": kind == "clean",
            }
            told |= {"bytes": 0, "whole": False}
            with self._lock:
                if len(self._seen) < MOST_KEPT:
                    self._seen.append(told)
            if way == "give":
                send_pieces(line, body, int(number))
                return
            taken = read_body(line, int(number), told)
            told["whole"] = taken == body
            line.sendall(f"{digest_body(taken)}\n".encode())


def exchange(tries: Sequence[Mapping[str, Any]], timeout_s: float = 2.0) -> dict[str, Any]:
    """Try each {who, address, port, way: ``fetch`` or ``submit``, signature, clean, piece}. ``results``, in their
    order: ``outcome`` (``whole``: the body came, or its digest did; ``refused``, ``silent``), the octets that came."""
    with ThreadPoolExecutor(WORKERS) as pool:
        return {"results": list(pool.map(lambda one: _attempt(one, timeout_s), tries))}


def _attempt(one: Mapping[str, Any], timeout_s: float) -> dict[str, Any]:
    told = {key: one[key] for key in ("who", "address", "port", "way", "signature", "clean", "piece")}
    told |= {"outcome": "silent", "bytes": 0}
    body, kind = build_body(str(one["signature"]), bool(one["clean"])), "clean" if one["clean"] else "dirty"
    deadline = time.monotonic() + timeout_s
    try:
        with socket.create_connection((str(one["address"]), int(one["port"])), timeout_s) as line:
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            line.settimeout(max(0.01, deadline - time.monotonic()))
            if one["way"] == "fetch":
                line.sendall(f"give {one['signature']} {kind} {int(one['piece'])} {one['who']}\n".encode())
                whole = read_body(line, len(body), told) == body
            else:
                line.sendall(f"take {one['signature']} {kind} {len(body)} {one['who']}\n".encode())
                send_pieces(line, body, int(one["piece"]))
                whole = _read_line(line) == digest_body(body)
            return told | {"outcome": "whole" if whole else "refused"}
    except TimeoutError:
        return told
    except OSError as error:
        return told | {"outcome": "refused", "error": f"{type(error).__name__}: {error}"}


def send_pieces(line: socket.socket, body: bytes, piece: int) -> None:
    """Send a body in pieces; 0: at once."""
    size = piece or len(body)
    for at in range(0, len(body), size):
        line.sendall(body[at : at + size])
        if at + size < len(body):
            time.sleep(PIECE_PAUSE_S)  # so that each piece is a segment of its own


def read_body(line: socket.socket, length: int, told: dict[str, Any]) -> bytes:
    """Read as many octets, or up to the end; count them in `told` as they come."""
    data = b""
    while len(data) < length:
        piece = line.recv(min(READ_BYTES, length - len(data)))
        if not piece:
            break
        data += piece
        told["bytes"] = len(data)
    return data


def _read_line(line: socket.socket) -> str:
    """Read up to LF, octet by octet: what follows is the body's. Raises: ConnectionResetError."""
    data = b""
    while not data.endswith(b"\n"):
        octet = line.recv(1)
        if not octet or len(data) > LINE_BYTES:
            raise ConnectionResetError("the line ended")
        data += octet
    return data.decode("ascii", "replace").strip()
