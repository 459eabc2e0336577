"""Which code points protected packets carry as they reach the gateway: the outer header's. Layer: stand-in, I/O.

ESP is told apart as in the census: protocol 50, or UDP 4500 that is neither IKE nor a keepalive (RFC 3948). `read_esp`
is pure. Not here: what is inside (the endpoint sees that).
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections import Counter
from typing import Any

from emulators.common.census import ESP_PROTOCOL, NATT_PORT, classify_natt

ETH_P_IP = 0x0800  # IEEE 802 numbers: IPv4
SOL_PACKET, PACKET_STATISTICS = 263, 6  # linux/socket.h, linux/if_packet.h
UDP = 17  # IANA, Protocol Numbers
HEAD_BYTES = 128
RECEIVE_BYTES = 4 * 1024 * 1024
MOST_SECONDS = 60.0
LOOK_S = 0.2

_watches: dict[str, MarkingWatch] = {}
_lock = threading.Lock()


def read_esp(packet: bytes) -> int | None:
    """Return the code point of an ESP packet's outer header (RFC 2474 section 3), None for any other packet."""
    if len(packet) < 20 or packet[0] >> 4 != 4:
        return None
    dscp, payload = packet[1] >> 2, packet[(packet[0] & 15) * 4 :]
    if int.from_bytes(packet[6:8], "big") & 0x1FFF:  # a later fragment: RFC 791 section 3.1
        return None
    if packet[9] == ESP_PROTOCOL:
        return dscp
    if packet[9] != UDP or len(payload) < 8 or NATT_PORT not in struct.unpack_from("!HH", payload):
        return None
    end = max(8, int.from_bytes(payload[4:6], "big"))  # short frames are padded on Ethernet
    return dscp if classify_natt(payload[8:end]) == "esp_udp" else None


def watch_markings(link: str, seconds: float) -> dict[str, Any]:
    """Begin to count on a link, for at most `seconds`."""
    if not 0 < seconds <= MOST_SECONDS:
        raise ValueError(f"seconds: expected up to {MOST_SECONDS:g}, saw {seconds}")
    with _lock:
        before = _watches.pop(link, None)
        if before is not None:
            before.stop()
        _watches[link] = MarkingWatch(link, seconds)
    return {"link": link}


def count_markings(link: str) -> dict[str, Any]:
    """Stop counting. Result: ``esp``, packets that came in by code point, and ``dropped``, those that were missed."""
    with _lock:
        watch = _watches.pop(link, None)
    if watch is None:
        raise ValueError(f"link: nobody watches {link}")
    return watch.stop()


class MarkingWatch:
    """Counts what comes in on one link."""

    def __init__(self, link: str, seconds: float) -> None:
        self._line = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(ETH_P_IP))
        self._line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BYTES)
        self._line.bind((link, ETH_P_IP))
        self._line.settimeout(LOOK_S)
        self._until_s = time.monotonic() + seconds
        self._counts: Counter[int] = Counter()
        self._dropped = 0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._watch, name=f"markings {link}", daemon=True)
        self._thread.start()

    def stop(self) -> dict[str, Any]:
        """End, and return the counts."""
        self._stopping.set()
        self._thread.join()
        return {"esp": {str(k): v for k, v in sorted(self._counts.items())}, "dropped": self._dropped}

    def _watch(self) -> None:
        with self._line:
            while not self._stopping.is_set() and time.monotonic() < self._until_s:
                try:
                    packet, origin = self._line.recvfrom(HEAD_BYTES)
                except TimeoutError:
                    continue
                dscp = read_esp(packet) if origin[2] == socket.PACKET_HOST else None
                if dscp is not None:
                    self._counts[dscp] += 1
            _, self._dropped = struct.unpack("II", self._line.getsockopt(SOL_PACKET, PACKET_STATISTICS, 8))
