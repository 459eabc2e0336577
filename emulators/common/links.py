"""A stand-in's links: find each interface by MAC, give it its bench name and addresses. Layer: stand-in, I/O (ip).

The engine's names (eth0, ...) and addresses mean nothing inside the bench: they are flushed, the interface is renamed
to its link's name and gets the bench's addresses, and no default route stays, so that nothing finds a way out.

Where an engine gives an endpoint a MAC that nobody chose, the link is found by the engine's nominal address instead.
"""

from __future__ import annotations

import json
import subprocess
from dataclasses import dataclass
from typing import Any

from emulators.common.record import from_json


class LinkError(RuntimeError):
    """A link named in the seed is not there, or could not be set up."""


@dataclass(frozen=True, slots=True)
class Route:
    to: str
    via: str


@dataclass(frozen=True, slots=True)
class Link:
    """One link as the seed states it. `addresses` are CIDR strings, set in order."""

    name: str
    mac: str
    nominal: str
    addresses: tuple[str, ...] = ()
    routes: tuple[Route, ...] = ()


@dataclass(frozen=True, slots=True)
class Interface:
    name: str
    mac: str
    addresses: tuple[str, ...]


def parse_interfaces(text: str) -> tuple[Interface, ...]:
    """Read the output of ``ip -j addr``."""
    found = []
    for item in json.loads(text):
        addresses = tuple(a["local"] for a in item.get("addr_info", []) if a.get("family") == "inet")
        found.append(Interface(item["ifname"], item.get("address", ""), addresses))
    return tuple(found)


def find_interface(link: Link, interfaces: tuple[Interface, ...]) -> Interface | None:
    """Return the interface of a link: by MAC, else by the engine's nominal address."""
    for interface in interfaces:
        if interface.mac.lower() == link.mac.lower():
            return interface
    for interface in interfaces:
        if link.nominal in interface.addresses:
            return interface
    return None


def build_batch(pairs: tuple[tuple[Link, Interface], ...]) -> str:
    """Return the `ip -batch` script that sets up the links. Renames go through a free name, so no order can clash."""
    lines = ["link set dev lo up"]
    for index, (_, interface) in enumerate(pairs):
        lines += [
            f"addr flush dev {interface.name}",
            f"link set dev {interface.name} down",
            f"link set dev {interface.name} name bench{index}",
        ]
    for index, (link, _) in enumerate(pairs):
        lines.append(f"link set dev bench{index} name {link.name}")
        lines += [f"addr add {address} dev {link.name}" for address in link.addresses]
        lines.append(f"link set dev {link.name} up")
    for link, _ in pairs:
        lines += [f"route replace {route.to} via {route.via} dev {link.name}" for route in link.routes]
    return "\n".join(lines) + "\n"


def settle_links(seed: dict[str, Any]) -> dict[str, str]:
    """Set up every link of the seed. Returns link name to MAC. Raises: LinkError."""
    links = tuple(from_json(Link, item) for item in seed["links"])
    interfaces = parse_interfaces(_ip("-j", "addr"))
    pairs = []
    for link in links:
        interface = find_interface(link, interfaces)
        if interface is None:
            seen = ", ".join(f"{i.name} {i.mac} {'/'.join(i.addresses)}" for i in interfaces)
            raise LinkError(f"link {link.name}: expected MAC {link.mac} or address {link.nominal}, saw {seen}")
        pairs.append((link, interface))
    _ip("-batch", "-", text=build_batch(tuple(pairs)))
    subprocess.run(["ip", "route", "del", "default"], capture_output=True, check=False)
    return {link.name: interface.mac for link, interface in pairs}


def _ip(*args: str, text: str | None = None) -> str:
    done = subprocess.run(["ip", *args], input=text, capture_output=True, text=True, check=False)
    if done.returncode:
        raise LinkError(f"ip {' '.join(args)}: exit {done.returncode}: {done.stderr.strip()}\n{text or ''}")
    return done.stdout
