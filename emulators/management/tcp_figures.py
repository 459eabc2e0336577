"""What the server's own TCP says of a connection. Layer: stand-in; `read_figures` is pure."""

from __future__ import annotations

import asyncio
import fcntl
import socket
import struct
import termios
from dataclasses import dataclass
from typing import Any

SIZE_BYTES = 144
_RETRANSMITTED, _SENT = 100, 136  # tcpi_total_retrans, tcpi_segs_out: offsets in struct tcp_info, linux/tcp.h


LONGEST_WAIT_S = 10.0
"""How long what is under way is waited for: a megabyte in the queue, at 1 Mbit/s. Our choice."""
POLL_S = 0.005


@dataclass(frozen=True, slots=True)
class TcpFigures:
    """Segments that were sent, and those of them that were sent again."""

    sent: int
    retransmitted: int


def read_figures(info: bytes) -> TcpFigures | None:
    """Read the kernel's struct tcp_info; None where it is too short to say."""
    if len(info) < SIZE_BYTES:
        return None
    at = {name: struct.unpack_from("=I", info, offset)[0] for name, offset in (("r", _RETRANSMITTED), ("s", _SENT))}
    return TcpFigures(at["s"], at["r"])


async def follow_figures(transport: Any) -> TcpFigures | None:
    """Return the figures once the peer has acknowledged all that was written (SIOCOUTQ, tcp(7)), or the last there were
    when it went: only then do they tell of the whole transfer, and not of what went before the last buffer was full."""
    found = find_figures(transport)
    for _ in range(round(LONGEST_WAIT_S / POLL_S)):
        if transport is None or transport.is_closing() or not _count_unacknowledged(transport):
            break
        await asyncio.sleep(POLL_S)  # the kernel tells nobody of an acknowledgement
        found = find_figures(transport) or found
    return found


def _count_unacknowledged(transport: Any) -> int:
    """Return the bytes that were written and not acknowledged; 0 where the connection is gone."""
    line = transport.get_extra_info("socket")
    try:
        queued = fcntl.ioctl(line.fileno(), termios.TIOCOUTQ, bytes(4))
    except (OSError, ValueError, AttributeError):  # closed: no descriptor any more, or no socket
        return 0
    return int(struct.unpack("=i", queued)[0]) + int(transport.get_write_buffer_size())


def find_figures(transport: Any) -> TcpFigures | None:
    """Return the figures of an asyncio transport's connection; None where it is gone, or the kernel does not say."""
    line = transport.get_extra_info("socket") if transport is not None else None
    try:
        return read_figures(line.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, SIZE_BYTES)) if line else None
    except OSError:
        return None
