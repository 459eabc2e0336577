"""The probe ``send``: questions as raw packets, with any source address. Layer: stand-in, I/O (raw, packet sockets).

What comes of them is for others to say (answerer.py, the carrier). A packet is routed by the kernel as its own would
be, or, with ``mac``, put on the link as a frame to that station: to ``gateway`` (the default route's next hop),
whatever the destination address says. Packets: try_packets.py.
"""

from __future__ import annotations

import json
import os
import socket
import struct
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any

from emulators.common.own_addresses import find_gateway, find_mac, find_source, pack_mac
from emulators.common.service import Handler
from emulators.common.supervise import run
from emulators.common.try_packets import ETHERTYPE_IPV4, build_question

MOST_PACKETS = 1000
GATEWAY = "gateway"
MOST_LINGER_S = 5.0


def build_send_probe(link: str) -> dict[str, Handler]:
    """Return the handler of ``send`` on a link."""

    def send(packets: Sequence[Mapping[str, Any]], copies: int = 2, linger_s: float = 0.0) -> dict[str, Any]:
        """Send each of `packets` {target, service, token, source?, mac?} so many times; return how many were sent.

        `linger_s`: how long to stay before answering, for what is still on its way (at most MOST_LINGER_S).
        """
        if len(packets) * copies > MOST_PACKETS:
            raise ValueError(f"packets: expected at most {MOST_PACKETS} with copies, saw {len(packets) * copies}")
        sent = [_send_one(item, link, copies) for item in packets]
        time.sleep(min(linger_s, MOST_LINGER_S))  # what is under way shall arrive: nothing tells when it has
        return {"sent": sent}

    return {"send": send}


def _send_one(item: Mapping[str, Any], link: str, copies: int) -> int:
    kind, _, port = str(item["service"]).partition("/")
    if kind not in ("icmp", "udp"):
        raise ValueError(f"service: expected icmp or udp/PORT, saw {item['service']!r}")
    target = str(item["target"])
    source = str(item["source"]) if item.get("source") else find_source(find_gateway() or target)
    own_port = 20_000 + int.from_bytes(os.urandom(2), "big") % 12_000
    packet = build_question(kind, (source, target), (own_port, int(port or 0)), str(item["token"]))  # type: ignore[arg-type]
    sent, mac = 0, item.get("mac")
    for _ in range(copies):
        with suppress(OSError):  # no route or no neighbour: it was not sent, and the count says so
            _put(packet, target, link, None if mac is None else str(mac))
            sent += 1
    return sent


def _put(packet: bytes, target: str, link: str, mac: str | None) -> None:
    if mac is None:
        with socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW) as line:
            line.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            line.sendto(packet, (target, 0))
        return
    station = pack_mac(_find_gateway_mac(link) if mac == GATEWAY else mac)
    own = pack_mac(find_mac(link))
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0) as line:
        line.bind((link, ETHERTYPE_IPV4))
        line.send(station + own + struct.pack("!H", ETHERTYPE_IPV4) + packet)


def _find_gateway_mac(link: str) -> str:
    gateway = find_gateway()
    known = json.loads(run(["ip", "-j", "-4", "neigh", "show", "dev", link]) or "[]")
    for neighbour in known:
        if neighbour.get("dst") == gateway and neighbour.get("lladdr"):
            return str(neighbour["lladdr"])
    raise OSError(f"{link}: the gateway {gateway} has not been met yet")
