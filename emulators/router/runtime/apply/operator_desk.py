"""What the operator's own commands are answered by: a socket of the device, for that account alone. Layer: I/O.

One connection is one question, a line of JSON ``{"do": COMMAND, ...}``, and one answer. The commands run with the
operator's rights (operator_shell.py) and could change nothing by themselves; the kernel says whose question it is
(unix(7), SO_PEERCRED).
"""

from __future__ import annotations

import json
import socket
import socketserver
import struct
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from emulators.common.service import log

SOCKET = "/run/operator.sock"
MOST_BYTES = 8192
PATIENCE_S = 5.0
MOST_WAITING = 64
"""Questions that may wait to be taken: beyond, connect(2) fails at once with EAGAIN."""
Answer = dict[str, Any]
Handlers = Mapping[str, Callable[[dict[str, Any]], Answer]]


class Desk:
    """Answers until it is stopped. A handler's ValueError is its answer."""

    def __init__(self, handlers: Handlers, uid: int, path: str = SOCKET) -> None:
        self._path = Path(path)
        self._path.unlink(missing_ok=True)

        class Question(socketserver.StreamRequestHandler):
            timeout = PATIENCE_S

            def handle(self) -> None:
                peer = self.request.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
                if struct.unpack("3i", peer)[1] in (0, uid):
                    answer = _answer(handlers, self.rfile.readline(MOST_BYTES))
                    self.wfile.write(json.dumps(answer).encode() + b"\n")

        class Server(socketserver.ThreadingUnixStreamServer):
            daemon_threads = True
            request_queue_size = MOST_WAITING

            def handle_error(self, request: Any, client_address: Any) -> None:
                log("operator: a question was broken off")

        self._server = Server(str(self._path), Question)
        self._path.chmod(0o666)  # whose question it is, the kernel says
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, name="operator desk", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Answer nobody any more."""
        self._server.shutdown()
        self._server.server_close()
        self._path.unlink(missing_ok=True)


def _answer(handlers: Handlers, line: bytes) -> Answer:
    try:
        question = json.loads(line)
        handler = handlers[question["do"]]
        return {"ok": True, **handler(question)}
    except (ValueError, KeyError, TypeError) as error:
        return {"ok": False, "word": "not_understood", "reason": f"{type(error).__name__}: {error}"}
