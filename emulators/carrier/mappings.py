"""The carrier's UDP mappings: learnt of as they are made, forgotten on demand. Layer: stand-in, I/O (ctnetlink).

A carrier's NAT keeps a record of the mappings that it makes (RFC 6888 REQ-12). The kernel tells of each new connection,
with the time that it will be kept while idle, over netlink (libnetfilter_conntrack's headers: nfnetlink.h,
nfnetlink_conntrack.h); `parse_new` is pure.

Not here: translating itself (gateway.py's nft rules).
"""

from __future__ import annotations

import errno
import os
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import IPv4Address

from emulators.common.service import log

NETLINK_NETFILTER, GROUP_NEW = 12, 1  # linux/netlink.h; NF_NETLINK_CONNTRACK_NEW, nfnetlink_compat.h
CT_NEW, CT_DELETE = 1 << 8, 1 << 8 | 2  # NFNL_SUBSYS_CTNETLINK, IPCTNL_MSG_CT_NEW and _DELETE
NLM_REQUEST_ACK, NLM_CREATE, NLMSG_ERROR = 0x5, 0x400, 2
ORIGINAL, REPLY, TIMEOUT = 1, 2, 7  # CTA_TUPLE_ORIG, CTA_TUPLE_REPLY, CTA_TIMEOUT
UDP = 17
MOST_LIVE = 4096  # those known last: enough to forget all of one device
RECEIVE_BYTES = 65536
_NLMSG, _NFGEN, _ATTRIBUTE = struct.Struct("=IHHII"), struct.Struct("!BBH"), struct.Struct("=HH")


@dataclass(frozen=True, slots=True)
class Mapping:
    """A UDP mapping. `inside` and `outside` are address:port before and after translation; `key` names it to the
    kernel."""

    inside: str
    outside: str
    to_address: str
    to_port: int
    kept_s: int
    key: bytes


def parse_new(datagram: bytes) -> Iterator[Mapping]:
    """Yield the UDP mappings that netlink messages tell of as new and translated. What is cut short is left out."""
    offset = 0
    while offset + _NLMSG.size + _NFGEN.size <= len(datagram):
        length, kind, flags, _, _ = _NLMSG.unpack_from(datagram, offset)
        if length < _NLMSG.size or offset + length > len(datagram):
            return
        if kind == CT_NEW and flags & NLM_CREATE:
            with suppress(KeyError, struct.error, ValueError):
                made = _read(datagram[offset + _NLMSG.size + _NFGEN.size : offset + length])
                if made is not None:
                    yield made
        offset += (length + 3) & ~3


def build_delete(key: bytes, sequence: int) -> bytes:
    """Return the request to forget the connection of that original tuple."""
    attribute = _ATTRIBUTE.pack(_ATTRIBUTE.size + len(key), ORIGINAL | 0x8000) + key  # NLA_F_NESTED
    body = _NFGEN.pack(socket.AF_INET, 0, 0) + attribute
    return _NLMSG.pack(_NLMSG.size + len(body), CT_DELETE, NLM_REQUEST_ACK, sequence, 0) + body


def _attributes(data: bytes) -> dict[int, bytes]:
    found, offset = dict[int, bytes](), 0
    while offset + _ATTRIBUTE.size <= len(data):
        length, kind = _ATTRIBUTE.unpack_from(data, offset)
        if length < _ATTRIBUTE.size:
            break
        found[kind & 0x3FFF] = data[offset + _ATTRIBUTE.size : offset + length]  # NLA_TYPE_MASK
        offset += (length + 3) & ~3
    return found


def _read(data: bytes) -> Mapping | None:
    parts = _attributes(data)
    protocol, source, destination = _read_tuple(parts[ORIGINAL])
    _, _, back = _read_tuple(parts[REPLY])
    if protocol != UDP or back == source:
        return None
    (kept_s,) = struct.unpack("!I", parts[TIMEOUT])
    inside, outside = (f"{address}:{port}" for address, port in (source, back))
    return Mapping(inside, outside, *destination, kept_s, parts[ORIGINAL])


def _read_tuple(data: bytes) -> tuple[int, tuple[str, int], tuple[str, int]]:
    """Read CTA_TUPLE_IP (source 1, destination 2) and CTA_TUPLE_PROTO (number 1, ports 2 and 3)."""
    tuple_ = _attributes(data)
    address, protocol = _attributes(tuple_[1]), _attributes(tuple_[2])
    ends = [(str(IPv4Address(address[n])), int.from_bytes(protocol[n + 1], "big")) for n in (1, 2)]
    return protocol[1][0], ends[0], ends[1]


class Mappings:
    """Listens in a thread of its own. `on_made` is called with each translated UDP mapping, in that thread."""

    def __init__(self, on_made: Callable[[Mapping], None]) -> None:
        self._on_made = on_made
        self._live: dict[bytes, None] = {}
        self._lock = threading.Lock()

    def start(self) -> None:
        """Begin. Raises: OSError."""
        line = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, NETLINK_NETFILTER)
        line.bind((0, GROUP_NEW))
        threading.Thread(target=self._listen, args=(line,), name="mappings", daemon=True).start()

    def forget(self) -> None:
        """Have the kernel forget every UDP mapping of a device. Raises: OSError."""
        with self._lock:
            keys, self._live = tuple(self._live), {}
        with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, NETLINK_NETFILTER) as line:
            line.bind((0, 0))
            for sequence, key in enumerate(keys, start=1):
                line.send(build_delete(key, sequence))
                answer = line.recv(RECEIVE_BYTES)
                _, kind, _, _, _ = _NLMSG.unpack_from(answer)
                (code,) = struct.unpack_from("=i", answer, _NLMSG.size) if kind == NLMSG_ERROR else (0,)
                if code not in (0, -errno.ENOENT):  # it may be gone by itself
                    raise OSError(-code, f"forgetting a mapping: {os.strerror(-code)}")

    def _listen(self, line: socket.socket) -> None:
        while True:
            try:
                datagram = line.recv(RECEIVE_BYTES)
            except OSError as error:
                if error.errno != errno.ENOBUFS:  # more than the socket holds: those are not told of
                    raise
                log("mappings: some were not told of")
                continue
            for made in parse_new(datagram):
                with self._lock:
                    self._live[made.key] = None
                    if len(self._live) > MOST_LIVE:
                        self._live.pop(next(iter(self._live)))
                self._on_made(made)
