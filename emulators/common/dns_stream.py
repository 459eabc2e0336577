"""DNS messages over a stream: two octets of length before each (RFC 1035 section 4.2.2). Layer: stand-in, I/O."""

from __future__ import annotations

import socket
import struct


def write_message(line: socket.socket, message: bytes) -> None:
    """Send one message. Raises: OSError."""
    line.sendall(struct.pack("!H", len(message)) + message)


def read_message(line: socket.socket) -> bytes:
    """Read one message. Raises: EOFError at the end, OSError."""
    (length,) = struct.unpack("!H", _read(line, 2))
    return _read(line, length)


def _read(line: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        if not (piece := line.recv(count - len(data))):
            raise EOFError(f"ended after {len(data)} of {count} octets")
        data += piece
    return data
