"""The messages of a netfilter queue (linux/netfilter/nfnetlink_queue.h), over netlink. Layer: router firmware, pure.

Only what an inspector needs: taking a queue, whole packets with their marks, a verdict each. Netlink's own numbers are
in the machine's byte order, those inside attributes in network order.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

NETLINK_NETFILTER = 12  # linux/netlink.h
PACKET, VERDICT, CONFIG = 0, 1, 2
DROP, ACCEPT = 0, 1  # linux/netfilter.h
_SUBSYSTEM = 3  # NFNL_SUBSYS_QUEUE
_REQUEST, _ACK, _ERROR = 1, 4, 2  # NLM_F_REQUEST, NLM_F_ACK, NLMSG_ERROR
_CFG_CMD, _CFG_PARAMS, _CFG_MAXLEN, _CFG_MASK, _CFG_FLAGS = 1, 2, 3, 4, 5
_BIND, _COPY_PACKET, _FLAG_GSO = 1, 2, 4
_HEADER, _VERDICT_HEADER, _MARK, _PAYLOAD = 1, 2, 3, 10
_AF_INET = 2
_WHOLE_PACKET = 0xFFFF
MOST_WAITING = 8192
"""Packets that wait for a verdict at most; those beyond are dropped. Our choice."""


class QueueError(OSError):
    """The kernel did not do what it was asked."""


@dataclass(frozen=True, slots=True)
class Queued:
    """One packet that waits for its verdict."""

    number: int
    mark: int
    data: bytes


def build_setup(queue: int) -> tuple[bytes, ...]:
    """Return the requests that take a queue, each to be acknowledged: whole packets, large ones in one piece."""
    return (
        _request(queue, CONFIG, _attribute(_CFG_CMD, struct.pack("!BxH", _BIND, _AF_INET)), _ACK),
        _request(queue, CONFIG, _attribute(_CFG_PARAMS, struct.pack("!LB", _WHOLE_PACKET, _COPY_PACKET)), _ACK),
        _request(queue, CONFIG, _attribute(_CFG_MAXLEN, struct.pack("!L", MOST_WAITING)), _ACK),
        _request(
            queue,
            CONFIG,
            _attribute(_CFG_FLAGS, struct.pack("!L", _FLAG_GSO)) + _attribute(_CFG_MASK, struct.pack("!L", _FLAG_GSO)),
            _ACK,
        ),
    )


def build_verdict(queue: int, number: int, accept: bool, mark: int | None = None) -> bytes:
    """Return the verdict on a packet; with `mark` it goes on marked so."""
    body = _attribute(_VERDICT_HEADER, struct.pack("!LL", ACCEPT if accept else DROP, number))
    if mark is not None:
        body += _attribute(_MARK, struct.pack("!L", mark))
    return _request(queue, VERDICT, body)


def parse_messages(data: bytes) -> Iterator[Queued]:
    """Yield the packets in what was read at once. Raises: QueueError where it is no netlink."""
    while len(data) >= 16:
        length, kind = struct.unpack_from("=LH", data)
        if length < 16 or length > len(data):
            raise QueueError(f"expected a netlink message, saw a length of {length} in {len(data)} bytes")
        if kind == _SUBSYSTEM << 8 | PACKET:
            yield _read_packet(data[20:length])
        data = data[(length + 3) & ~3 :]


def check_answer(data: bytes) -> None:
    """Read the acknowledgement of a request. Raises: QueueError where the kernel refuses, or says something else."""
    length, kind = struct.unpack_from("=LH", data)
    if kind != _ERROR or length < 20:
        raise QueueError(f"expected an acknowledgement, saw message {kind}")
    (code,) = struct.unpack_from("=l", data, 16)
    if code:
        raise QueueError(-code, "the kernel refused a request about the queue")


def _read_packet(body: bytes) -> Queued:
    number, mark, payload = 0, 0, b""
    while len(body) >= 4:
        length, kind = struct.unpack_from("=HH", body)
        if length < 4:
            break
        value, kind = body[4:length], kind & 0x3FFF  # NLA_TYPE_MASK
        if kind == _HEADER:
            (number,) = struct.unpack_from("!L", value)
        elif kind == _MARK:
            (mark,) = struct.unpack_from("!L", value)
        elif kind == _PAYLOAD:
            payload = value
        body = body[(length + 3) & ~3 :]
    return Queued(number, mark, payload)


def _request(queue: int, kind: int, body: bytes, flags: int = 0) -> bytes:
    head = struct.pack("=BB", 0, 0) + struct.pack("!H", queue)  # nfgenmsg: family, version 0, the queue
    length = 16 + len(head) + len(body)
    return struct.pack("=LHHLL", length, _SUBSYSTEM << 8 | kind, _REQUEST | flags, 0, 0) + head + body


def _attribute(kind: int, value: bytes) -> bytes:
    return struct.pack("=HH", 4 + len(value), kind) + value + bytes(-len(value) % 4)
