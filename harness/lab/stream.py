"""The two-way byte stream of a container or of a command in it. Layer: lab, I/O.

Laws: one thread may wait in `receive` while others `send` and `end`; only `close` gives the connection back, when no
other thread uses it any more. Not here: what goes over it (channel.py, terminal.py), who opens it (engine.py).
"""

from __future__ import annotations

import contextlib
import socket
from typing import Any


class Stream:
    """The two-way byte stream of an attached container. `receive` returns b"" at the end."""

    def __init__(self, raw: Any) -> None:
        self._raw = raw  # keeps the HTTP response alive, and with it the connection
        self._socket: Any = getattr(raw, "_sock", raw)
        self._socket.settimeout(None)

    def receive(self) -> bytes:
        """Block for the next bytes. Raises: OSError."""
        return bytes(self._socket.recv(1 << 18))

    def send(self, content: bytes) -> None:
        """Send all. Raises: OSError."""
        self._socket.sendall(content)

    def fileno(self) -> int:
        """Return the descriptor to wait on."""
        return int(self._socket.fileno())

    def end_input(self) -> None:
        """Say that nothing more will be sent; what is still received is."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_WR)

    def end(self) -> None:
        """Wake whoever is blocked on the stream; it gets the end. `close` must follow."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Give the connection back to the system. No other thread may be using it any more."""
        response = getattr(self._raw, "_response", None)
        with contextlib.suppress(OSError, ValueError):
            self._raw.close()
        if response is not None:
            with contextlib.suppress(OSError, ValueError):
                response.close()
        with contextlib.suppress(OSError, ValueError):
            self._socket.close()
