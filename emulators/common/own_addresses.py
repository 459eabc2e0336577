"""What a node knows of its own addresses, and of its way out. Layer: stand-in, I/O (the kernel is asked)."""

from __future__ import annotations

import json
import socket

from emulators.common.supervise import run

_NEEDS_ROUTE_PORT = 9  # discard (IANA); only asks the kernel for the source address, sends nothing


def find_source(target: str) -> str:
    """Return the node's own address towards a target. Raises: OSError where there is no way."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        line.connect((target, _NEEDS_ROUTE_PORT))
        return str(line.getsockname()[0])


def find_mac(link: str) -> str:
    """Return a link's own MAC address, with colons."""
    return str(json.loads(run(["ip", "-j", "link", "show", "dev", link]))[0]["address"])


def find_gateway() -> str | None:
    """Return the default route's next hop, or None."""
    routes = json.loads(run(["ip", "-j", "-4", "route", "show", "default"]) or "[]")
    return next((str(route["gateway"]) for route in routes if "gateway" in route), None)


def pack_mac(mac: str) -> bytes:
    """Return the six octets of a MAC address with colons."""
    return bytes.fromhex(mac.replace(":", ""))
