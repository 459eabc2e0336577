"""Runs in a container at one end of a radio link: GtpLink as modem and carrier gateway use it, and what measures it.

Its text is handed to the container's Python; it imports only what stand-ins have. Delays are one way, by the stamp that
the sender puts into each datagram: both containers share the kernel's monotonic clock.
"""

from __future__ import annotations

import socket
import struct
import subprocess
import threading
import time
from typing import Any

from emulators.common.gtp_link import Bearer, GtpLink, open_tun
from emulators.common.links import settle_links
from emulators.common.service import Console, Handler, load_seed, serve_commands
from emulators.common.shaper import Shape, build_shape
from emulators.common.verbs import standard_verbs

TUN, QUEUE_PACKETS = "bench0", 1000  # as emulators/router/runtime/cellular.py and emulators/carrier/gateway.py set it
CHUNK_BYTES = 1 << 20
STAMP = struct.Struct("!Qq")
UDP_HEADERS_BYTES = 28  # IPv4 and UDP
BUFFER_BYTES = 8 << 20
SPIN_S = 0.0005
DRAIN_S = 0.5  # above any delay and queue that is set here


class Node:
    def __init__(self, settings: dict[str, Any]) -> None:
        device, own, peer = bool(settings["device"]), settings["own"], settings["peer"]
        teids = (1, 2) if device else (2, 1)
        self.bearer = Bearer(teids, peer, settings["device_address"], settings["mtu"], Shape())
        link = GtpLink(open_tun(TUN), own, device=device)
        link.set_bearers((self.bearer,))
        for line in (
            f"addr add {settings['inner']}/32 dev {TUN}",
            f"link set dev {TUN} mtu {settings['mtu']} txqueuelen {QUEUE_PACKETS} up",
            f"route add {settings['inner_peer']}/32 dev {TUN}",
        ):
            subprocess.run(["ip", *line.split()], check=True)
        link.start("gtp-u")

    def shape(self, down_bps: int | None, delay_ms: float, jitter_ms: float, loss_pct: float) -> None:
        """Shape what this end sends."""
        self.bearer.reshape(build_shape(down_bps, delay_ms, jitter_ms, loss_pct))


def take_tcp(address: str, port: int) -> dict[str, float]:
    """Accept one connection, read it to its end; return octets and seconds from first to last."""
    with socket.create_server((address, port)) as server:
        server.settimeout(20)
        stream, _ = server.accept()
        with stream:
            buffer, size, began_s = bytearray(CHUNK_BYTES), 0, time.monotonic()
            while count := stream.recv_into(buffer):
                size += count
            return {"bytes": size, "took_s": time.monotonic() - began_s}


def send_tcp(target: str, port: int, seconds: float) -> None:
    """Send as fast as it goes for some seconds."""
    deadline_s = time.monotonic() + 10
    while True:
        try:
            stream = socket.create_connection((target, port), 5)
            break
        except ConnectionRefusedError:
            if time.monotonic() > deadline_s:
                raise
            time.sleep(0.02)
    with stream:
        chunk, until_s = bytes(CHUNK_BYTES), time.monotonic() + seconds
        while time.monotonic() < until_s:
            stream.sendall(chunk)


class Sink:
    """Receives datagrams from now on; `count` says what came."""

    def __init__(self, address: str, port: int) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, 33, BUFFER_BYTES)  # SO_RCVBUFFORCE
        self._socket.bind((address, port))
        self._socket.settimeout(1.0)
        self._came: list[tuple[int, int, int, int]] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        while not self._over.is_set():
            try:
                content = self._socket.recv(2048)
            except TimeoutError:
                continue
            now_ns = time.monotonic_ns()
            number, sent_ns = STAMP.unpack_from(content)
            self._came.append((number, sent_ns, now_ns, len(content) + UDP_HEADERS_BYTES))

    def finish(self) -> list[tuple[int, int, int, int]]:
        self._over.set()
        self._thread.join()
        self._socket.close()
        return self._came


SINKS: dict[int, Sink] = {}


def open_sink(address: str, port: int) -> None:
    SINKS[port] = Sink(address, port)


def read_sink(port: int) -> dict[str, Any]:
    """Return number of datagrams, delays, and the rate of IP octets from the first to the last."""
    time.sleep(DRAIN_S)
    came = SINKS.pop(port).finish()
    took_s = (came[-1][2] - came[0][2]) / 1e9 if len(came) > 1 else 0.0
    later_bytes = sum(size for *_, size in came[1:])
    return {
        "received": len({number for number, *_ in came}),
        "delays_ms": [(got - sent) / 1e6 for _, sent, got, _ in came],
        "bits_per_s": later_bytes * 8 / took_s if took_s else 0.0,
    }


def send_udp(target: str, port: int, count: int, per_s: float, packet_bytes: int) -> int:
    """Send datagrams at an even pace (behind schedule: at once); return how many went."""
    padding = bytes(packet_bytes - UDP_HEADERS_BYTES - STAMP.size)
    began_s = time.monotonic()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.setsockopt(socket.SOL_SOCKET, 32, BUFFER_BYTES)  # SO_SNDBUFFORCE
        for number in range(count):
            left_s = began_s + number / per_s - time.monotonic()
            if left_s > SPIN_S:
                time.sleep(left_s)
            sender.sendto(STAMP.pack(number, time.monotonic_ns()) + padding, (target, port))
    return count


def main() -> None:
    seed = load_seed()
    console = Console(seed["node"], "core")
    settle_links(seed)
    node = Node(seed["settings"])
    console.emit("node.ready")
    verbs: dict[str, Handler] = {
        "shape": node.shape, "take_tcp": take_tcp, "send_tcp": send_tcp,
        "open_sink": open_sink, "read_sink": read_sink, "send_udp": send_udp,
    }  # fmt: skip
    serve_commands(console, {**standard_verbs(), **verbs})
    threading.Event().wait()


main()
