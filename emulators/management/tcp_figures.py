"""What the server's own TCP says of a connection. Layer: stand-in; `read_figures` is pure."""

from __future__ import annotations

import socket
import struct
from dataclasses import dataclass
from typing import Any

SIZE_BYTES = 144
_RETRANSMITTED, _SENT = 100, 136  # tcpi_total_retrans, tcpi_segs_out: offsets in struct tcp_info, linux/tcp.h


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


def find_figures(transport: Any) -> TcpFigures | None:
    """Return the figures of an asyncio transport's connection; None where it is gone, or the kernel does not say."""
    line = transport.get_extra_info("socket") if transport is not None else None
    try:
        return read_figures(line.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, SIZE_BYTES)) if line else None
    except OSError:
        return None
