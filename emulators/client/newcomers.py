"""Devices of their own behind the client's port: each with its own address on the wire. Layer: stand-in, I/O.

Each is a pair of interfaces; frames for its address are led to it before the client's own stack sees them, and what it
sends is led to the port (nft(8), netdev ``fwd``). It has no IP address: all that it tries goes out as frames and is
read as frames, so that neither it nor the client's own connections notice each other.

Not here: the frames (frames.py, common/try_packets.py), 802.1X (supplicant.py).
"""

from __future__ import annotations

import json
import secrets
import select
import socket
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from emulators.client.frames import BROADCAST, Offer, build_discover, build_frame, is_echo_reply, parse_offer
from emulators.common.supervise import DaemonError, run
from emulators.common.try_packets import (
    ETHERTYPE_ARP,
    ETHERTYPE_IPV4,
    ICMP,
    Syns,
    build_arp_request,
    build_echo_request,
    build_ipv4,
    parse_arp,
    parse_syn_answer,
)

TABLE = "netdev newcomers"
TRIES, TRY_S = 3, 0.35
"""A wire loses nothing, but the device may still be opening the port. Our choice."""
NEIGHBOUR_TRIES, NEIGHBOUR_S = 6, 0.05
DISCARD_PORT = 9  # RFC 863
ETH_P_ALL = 0x0003  # linux/if_ether.h
OUTGOING = 4  # PACKET_OUTGOING, linux/if_packet.h
DNS_PORT = 53  # RFC 1035 section 4.2: the router's resolver takes TCP from whoever is in


@dataclass(frozen=True, slots=True)
class Targets:
    """What a device tries: the router, other clients of its segment, and a host beyond the router."""

    router: str
    router_mac: bytes
    peers: tuple[str, ...]
    beyond: str | None


@dataclass(slots=True)
class Found:
    """What came back."""

    dhcp: Offer | None = None
    arp: bool = False
    echo: bool = False
    tcp: str = "silent"
    peers: set[str] = field(default_factory=set)
    beyond: bool = False

    def to_json(self) -> dict[str, Any]:
        dhcp = {"address": self.dhcp.address, "server": self.dhcp.server} if self.dhcp else None
        return {
            "dhcp": dhcp,
            "arp": self.arp,
            "echo": self.echo,
            "tcp": self.tcp,
            "peers": sorted(self.peers),
            "beyond": self.beyond,
        }


def settle_newcomers(link: str, macs: Sequence[str]) -> list[str]:
    """Make a device for each address; returns their links' names, in order. Raises: DaemonError."""
    remove_newcomers()
    names = [f"new{index}" for index in range(len(macs))]
    lines = []
    for name, mac in zip(names, macs, strict=True):
        lines += [f"link add {name} address {mac} type veth peer name {name}p", f"link set {name} up arp off"]
        lines.append(f"link set {name}p up")
    run(["ip", "-batch", "-"], text="".join(f"{line}\n" for line in lines))
    run(["nft", "-f", "-"], text=render_ways(link, dict(zip(names, macs, strict=True))))
    return names


def render_ways(link: str, devices: dict[str, str]) -> str:
    """Return the rules that lead frames between the port and the devices (name to MAC)."""
    inward = [f'ether daddr {mac} fwd to "{name}p"' for name, mac in devices.items()]
    chains = [("inward", link, inward), *((f"from_{name}", f"{name}p", [f'fwd to "{link}"']) for name in devices)]
    lines = [f"table {TABLE} {{"]
    for name, device, rules in chains:
        head = f'type filter hook ingress device "{device}" priority 0; policy accept;'
        lines += [f"chain {name} {{", head, *rules, "}"]
    return "\n".join([*lines, "}"]) + "\n"


def remove_newcomers() -> None:
    """Take all such devices away; none there is no error."""
    run(["nft", "-f", "-"], text=f"table {TABLE}\ndelete table {TABLE}\n")
    for item in json.loads(run(["ip", "-j", "link", "show", "type", "veth"]) or "[]"):
        name = str(item.get("ifname", ""))
        if name.startswith("new") and not name.endswith("p"):
            with suppress(DaemonError):
                run(["ip", "link", "del", name])


def find_mac(link: str, address: str) -> bytes:
    """Return the hardware address of the client's neighbour, asked for if need be; the broadcast address where nobody
    answers."""
    for _ in range(NEIGHBOUR_TRIES):
        for item in json.loads(run(["ip", "-j", "neigh", "show", address, "dev", link]) or "[]"):
            if "lladdr" in item:
                return bytes.fromhex(item["lladdr"].replace(":", ""))
        with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
            asking.sendto(b"", (address, DISCARD_PORT))  # whatever goes there has the kernel ask by ARP
        time.sleep(NEIGHBOUR_S)  # the kernel asks for the neighbour at its own pace
    return BROADCAST


def try_link(link: str, address: str, targets: Targets) -> Found:
    """Send all that a device would, from the link's own hardware address, as the host `address`; read what comes."""
    found = Found()
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ETH_P_ALL)) as wire:
        wire.bind((link, ETH_P_ALL))
        trial = _Trial(wire.getsockname()[4], address, targets, found)
        for _ in range(TRIES):
            for first in (True, False):  # whoever is asked must know whom to answer: ARP goes before
                for frame in trial.build(first=first):
                    wire.send(frame)
                _read(wire, trial, 0.05 if first else TRY_S)
            if trial.is_complete:
                break
    return found


def _read(wire: socket.socket, trial: _Trial, for_s: float) -> None:
    deadline = time.monotonic() + for_s
    while (left_s := deadline - time.monotonic()) > 0 and not trial.is_complete:
        if select.select([wire], [], [], left_s)[0]:
            frame, origin = wire.recvfrom(65535)
            if origin[2] != OUTGOING:
                trial.take(frame)


class _Trial:
    """The frames of one device's tries, and the reading of what comes."""

    def __init__(self, mac: bytes, address: str, targets: Targets, found: Found) -> None:
        self._mac, self._address, self._targets, self._found = mac, address, targets, found
        self._transaction, self._ident = secrets.randbits(32), secrets.randbits(15)
        self._port, self._seq = 40000 + secrets.randbits(14), secrets.randbits(32)

    @property
    def is_complete(self) -> bool:
        found, targets = self._found, self._targets
        beyond = found.beyond or targets.beyond is None
        heard = found.arp and found.echo and found.tcp != "silent" and found.dhcp is not None
        return heard and beyond and found.peers == set(targets.peers)

    def build(self, *, first: bool) -> list[bytes]:
        targets = self._targets
        if first:
            return [build_arp_request(self._mac, self._address, each) for each in (targets.router, *targets.peers)]
        syn = Syns(self._address, targets.router, self._port, self._seq).build(DNS_PORT)
        packets = [self._echo(targets.router, 0), syn]
        if targets.beyond is not None:
            packets.append(self._echo(targets.beyond, 1))
        frames = [build_frame(targets.router_mac, self._mac, packet) for packet in packets]
        return [build_discover(self._mac, self._transaction), *frames]

    def _echo(self, target: str, which: int) -> bytes:
        message = build_echo_request(self._ident + which, 1, b"")
        return build_ipv4(self._address, target, ICMP, message)

    def take(self, frame: bytes) -> None:
        """Note what a frame answers. Those for another device on the same port are none of ours."""
        found, targets = self._found, self._targets
        if frame[:6] not in (self._mac, BROADCAST):
            return
        kind, packet = int.from_bytes(frame[12:14], "big"), frame[14:]
        if kind == ETHERTYPE_ARP:
            arp = parse_arp(packet)
            if arp is not None and (arp[0], arp[2]) == (2, self._address):
                found.arp = found.arp or arp[1] == targets.router
                found.peers |= {arp[1]} & set(targets.peers)
        elif kind == ETHERTYPE_IPV4 and len(packet) >= 20:
            found.echo = found.echo or is_echo_reply(packet, self._ident, targets.router)
            if targets.beyond is not None:
                found.beyond = found.beyond or is_echo_reply(packet, self._ident + 1, targets.beyond)
            answer = parse_syn_answer(packet, self._port, self._seq)
            found.tcp = answer[2] if answer else found.tcp
            found.dhcp = found.dhcp or parse_offer(packet, self._transaction)
