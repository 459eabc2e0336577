"""Moves packets between a TUN interface and GTP-U over UDP; both ends of the radio link run it. Layer: stand-in, I/O.

One thread, one select loop (select's timeout is exact to microseconds, epoll's only to a millisecond). Each wake-up
drains what is there, up to a limit. Equal-sized packets go out as one send with UDP_SEGMENT and come in as one receive
with UDP_GRO (udp(7)): that is what makes it fast enough in Python. A direction is shaped in its sender (shaper.py); a
clear shape queues nothing.

Laws: a bearer's inner address is checked on the way in (a device cannot send from another's address); a packet above
the bearer's MTU that arrives over the air is dropped, as the interface's MTU is what should have stopped it. Tables are
replaced as a whole, never changed, so that other threads may set them.

Not here: who gets a bearer (carrier/machine.py), the interface's address (carrier/main.py, router/runtime/uplinks.py).
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import ipaddress
import os
import random
import select
import socket
import struct
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Final

from emulators.common import gtpu
from emulators.common.service import log
from emulators.common.shaper import Shape, Shaper

TUNSETIFF, IFF_TUN, IFF_NO_PI = 0x400454CA, 0x0001, 0x1000  # linux/if_tun.h
UDP_SEGMENT, UDP_GRO = 103, 104  # linux/udp.h
MAX_PACKET_BYTES: Final = 2048  # above any MTU of the radio link (1500)
DRAIN_PACKETS: Final = 64  # UDP_MAX_SEGMENTS, linux/udp.h
DRAIN_DATAGRAMS: Final = 8
MAX_BURST_BYTES: Final = 60_000  # one UDP send: below 65535 less headers
SOCKET_BUFFER_BYTES: Final = 4 * 1024 * 1024
RELEASE_SLACK_S: Final = 0.0002  # frames due this soon go with those due now; delays are good to 1 ms
IDLE_S: Final = 1.0
# GTP-U header and, inside, the IPv4 source (octets 12-15 of the packet) or destination (16-19): RFC 791 section 3.1.
_HEADS = {"source": struct.Struct("!BBHI12xI"), "destination": struct.Struct("!BBHI16xI")}
_SHORTEST = 28  # GTP-U header and an IPv4 header


def open_tun(name: str) -> int:
    """Create a TUN interface of raw IP packets; return its descriptor, non-blocking."""
    fd = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
    fcntl.ioctl(fd, TUNSETIFF, struct.pack("16sH22x", name.encode(), IFF_TUN | IFF_NO_PI))
    return fd


class Bearer:
    """One device's tunnel: what is sent goes to `remote_teid` at `peer`, what comes in carries `local_teid`.

    `passing`: packets go out as they come, nothing shapes them.
    """

    __slots__ = (
        "address", "local_teid", "mtu", "number", "passing", "peer", "queue", "remote_teid", "shaper", "watch",
        "widest",
    )  # fmt: skip

    def __init__(self, teids: tuple[int, int], peer: str, address: str, mtu: int, shape: Shape) -> None:
        self.local_teid, self.remote_teid = teids
        self.peer, self.mtu = (peer, gtpu.PORT), mtu
        self.address = ipaddress.IPv4Address(address).packed
        self.number = int.from_bytes(self.address, "big")
        self.passing = shape.is_clear
        self.shaper = Shaper(shape, random.random)
        self.queue: deque[tuple[float, bytes]] = deque()
        self.widest = MAX_PACKET_BYTES - 1
        """What is larger vanishes, and nobody is told: less than the MTU where the path beyond is narrower."""
        self.watch: Callable[[bytes], bool] | None = None
        """Called with each packet that comes in, until it returns True."""

    def reshape(self, shape: Shape) -> None:
        """Treat packets sent from now on by another shape. Those already queued keep their due times."""
        self.shaper.shape = shape
        self.passing = shape.is_clear


class GtpLink:
    """The loop. `own` is the address on the radio link; `device`: this is the device's end, where all leaves by the one
    bearer and what comes in must be addressed to the device; at the other end what comes in must be from it."""

    def __init__(self, tun_fd: int, own: str, *, device: bool) -> None:
        self._device, self._head = device, _HEADS["destination" if device else "source"]
        self._tun, self._own = tun_fd, own
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        for option, forced in ((socket.SO_RCVBUF, 33), (socket.SO_SNDBUF, 32)):  # SO_RCVBUFFORCE, SO_SNDBUFFORCE
            try:
                self._socket.setsockopt(socket.SOL_SOCKET, forced, SOCKET_BUFFER_BYTES)
            except OSError:
                self._socket.setsockopt(socket.SOL_SOCKET, option, SOCKET_BUFFER_BYTES)
        self._socket.setsockopt(socket.IPPROTO_UDP, UDP_GRO, 1)
        self._socket.bind((own, gtpu.PORT))
        self._by_teid: dict[int, Bearer] = {}
        self._by_address: dict[bytes, Bearer] = {}
        self._only: Bearer | None = None
        self._buffer = bytearray(65536)
        self._ancillary = [bytearray(64)]
        self._stopping = threading.Event()
        self.on_foreign: Callable[[bytes], None] | None = None
        """Called with each packet that is thrown away because its inner address is not the bearer's."""
        self.refused = 0
        """Packets thrown away: no bearer, a wrong inner address, above the MTU."""

    def set_bearers(self, bearers: tuple[Bearer, ...]) -> None:
        """Replace all bearers."""
        self._by_teid = {b.local_teid: b for b in bearers}
        self._by_address = {b.address: b for b in bearers}
        self._only = bearers[0] if self._device and bearers else None

    def start(self, name: str) -> None:
        """Run the loop in a thread of its own."""
        threading.Thread(target=self.run, name=name, daemon=True).start()

    def stop(self) -> None:
        self._stopping.set()

    def run(self) -> None:
        """Move packets until stopped."""
        watched = [self._tun, self._socket.fileno()]
        while not self._stopping.is_set():
            readable, _, _ = select.select(watched, [], [], self._idle_s())
            if self._tun in readable:
                self._drain_tun()
            if self._socket.fileno() in readable:
                self._drain_socket()
            self._release()

    def _idle_s(self) -> float:
        due_s = min((b.queue[0][0] for b in self._by_teid.values() if b.queue), default=None)
        return IDLE_S if due_s is None else min(IDLE_S, max(0.0, due_s - time.monotonic()))

    # ------------------------------------------------------------ from the interface to the air

    def _drain_tun(self) -> None:
        bursts: dict[Bearer, list[bytes]] = {}
        tun, only, by_address, now_s = self._tun, self._only, self._by_address, time.monotonic()
        for _ in range(DRAIN_PACKETS):
            try:
                packet = os.read(tun, MAX_PACKET_BYTES)
            except BlockingIOError:
                break
            except OSError as error:  # the interface is down
                if error.errno not in (errno.EIO, errno.EBADFD):
                    raise
                break
            bearer = only or by_address.get(packet[16:20])
            if bearer is None or len(packet) > bearer.widest or packet[0] >> 4 != 4:
                self.refused += 1
            elif bearer.passing and not bearer.queue:
                if bearer not in bursts:
                    bursts[bearer] = []
                bursts[bearer].append(packet)
            else:
                due_s = bearer.shaper.admit(now_s, len(packet))
                if due_s is not None:
                    bearer.queue.append((due_s, packet))
        for bearer, packets in bursts.items():
            self._send(bearer, packets)

    def _release(self) -> None:
        horizon_s = time.monotonic() + RELEASE_SLACK_S
        for bearer in self._by_teid.values():
            queue = bearer.queue
            while queue and queue[0][0] <= horizon_s:
                packets: list[bytes] = []
                while queue and queue[0][0] <= horizon_s and len(packets) < DRAIN_PACKETS:
                    packets.append(queue.popleft()[1])
                self._send(bearer, packets)

    def _send(self, bearer: Bearer, packets: list[bytes]) -> None:
        """Send packets in order, runs of one size (the last of a run may be smaller) as one call."""
        first, count = 0, len(packets)
        while first < count:
            size, end = len(packets[first]), first + 1
            most = first + min(DRAIN_PACKETS, MAX_BURST_BYTES // (size + gtpu.HEADER_BYTES))
            while end < count and end < most and len(packets[end]) == size:
                end += 1
            if end < count and end < most and len(packets[end]) < size:
                end += 1
            self._send_run(bearer, packets[first:end], size + gtpu.HEADER_BYTES)
            first = end

    def _send_run(self, bearer: Bearer, packets: list[bytes], segment_bytes: int) -> None:
        parts: list[bytes] = []
        header, length = gtpu.encode_header(bearer.remote_teid, len(packets[0])), len(packets[0])
        for packet in packets:
            if len(packet) != length:
                length = len(packet)
                header = gtpu.encode_header(bearer.remote_teid, length)
            parts.append(header)
            parts.append(packet)
        control = [(socket.IPPROTO_UDP, UDP_SEGMENT, struct.pack("H", segment_bytes))] if len(packets) > 1 else []
        try:
            self._socket.sendmsg(parts, control, 0, bearer.peer)
        except OSError as error:
            if error.errno in (errno.EINVAL, errno.EMSGSIZE, errno.EIO) and len(packets) > 1:
                for packet in packets:  # segments above the link's MTU cannot be offloaded: let the kernel fragment
                    self._send_run(bearer, [packet], 0)
            else:  # full buffer, peer gone: a radio loses packets too
                self.refused += len(packets)

    # ------------------------------------------------------------ from the air to the interface

    def _drain_socket(self) -> None:
        for _ in range(DRAIN_DATAGRAMS):
            try:
                size, controls, _, peer = self._socket.recvmsg_into([self._buffer], 64)
            except BlockingIOError:
                return
            except ConnectionRefusedError:  # ICMP port unreachable of an earlier send
                continue
            segment = size
            for level, kind, value in controls:
                if level == socket.IPPROTO_UDP and kind == UDP_GRO:
                    segment = struct.unpack("i", value[:4])[0]
            self._take(memoryview(self._buffer)[:size], max(1, segment), peer)

    def _take(self, view: memoryview, segment: int, peer: tuple[str, int]) -> None:
        """Take one receive: datagrams of `segment` octets, the last may be shorter."""
        tun, by_teid, read_head, write, size = self._tun, self._by_teid, self._head.unpack_from, os.write, len(view)
        for start in range(0, size, segment):
            end = min(start + segment, size)
            if end - start < _SHORTEST or view[start] != 0x30 or view[start + 1] != gtpu.G_PDU:
                self._take_other(bytes(view[start:end]), peer)
                continue
            _, _, length, teid, address = read_head(view, start)
            bearer = by_teid.get(teid)
            if bearer is None:
                self.refused += 1
                self._reply(gtpu.build_error_indication(teid, socket.inet_aton(self._own)), peer)
                continue
            if address != bearer.number or length > bearer.mtu or length > bearer.widest or view[start + 8] >> 4 != 4:
                self.refused += 1
                if address != bearer.number and self.on_foreign is not None:
                    self.on_foreign(bytes(view[start + 8 : start + 8 + length]))
                continue
            packet = view[start + 8 : start + 8 + length]
            if bearer.watch is not None and bearer.watch(bytes(packet)):
                bearer.watch = None
            try:
                write(tun, packet)
            except OSError:  # the interface is down or its queue is full: as if nobody were there
                self.refused += 1

    def _take_other(self, datagram: bytes, peer: tuple[str, int]) -> None:
        """Everything but a plain G-PDU."""
        try:
            message = gtpu.decode(datagram)
        except gtpu.GtpuError as error:
            self.refused += 1
            log(f"GTP-U from {peer[0]}: {error}")
            return
        if message.type == gtpu.ECHO_REQUEST:
            self._reply(gtpu.build_echo_response(message), peer)
        elif message.type == gtpu.G_PDU and len(message.payload) >= _SHORTEST - gtpu.HEADER_BYTES:
            plain = gtpu.encode_header(message.teid, len(message.payload)) + message.payload  # without optional fields
            self._take(memoryview(plain), len(plain), peer)
        elif message.type == gtpu.ERROR_INDICATION:
            log(f"GTP-U error indication from {peer[0]}")

    def _reply(self, datagram: bytes, peer: tuple[str, int]) -> None:
        with contextlib.suppress(OSError):
            self._socket.sendto(datagram, peer)
