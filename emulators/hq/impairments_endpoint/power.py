"""The endpoint gone: off, or its cable out. Layer: stand-in, I/O (ip).

Nobody answers for its addresses any more, not even to ARP: the gateway says so to whoever asks for them (ICMP host
unreachable: RFC 1812 section 5.2.7.1).
"""

from __future__ import annotations

from typing import Any

from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run

LINK = "hqlan"


def offer(seed: dict[str, Any]) -> dict[str, Impair]:
    def pull_cable() -> Mend:
        """Be off the LAN."""
        link = next(link for link in seed["links"] if link["name"] == LINK)
        run(["ip", "link", "set", LINK, "down"])
        return lambda: run(["ip", "-batch", "-"], text=build_return(link, seed["settings"]["gateway"]))

    return {"pull_cable": pull_cable}


def build_return(link: dict[str, Any], gateway: str) -> str:
    """Return the `ip -batch` script that has the link up again: its addresses stayed, its routes did not."""
    lines = [f"link set {LINK} up", f"route replace default via {gateway} dev {LINK}"]
    lines += [f"route replace {route['to']} via {route['via']} dev {LINK}" for route in link.get("routes", ())]
    return "\n".join(lines) + "\n"
