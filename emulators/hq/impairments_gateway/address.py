"""The gateway at another address: another line, or another provider. Layer: stand-in, I/O (ip)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from emulators.common.impair import Impair, Mend
from emulators.common.supervise import run
from emulators.hq.tunnel import INET

if TYPE_CHECKING:
    from emulators.hq.gateway import GatewayContext


def offer(context: GatewayContext) -> dict[str, Impair]:
    def move(address: str) -> Mend:
        """Have the address (with prefix length) on the internet's link, and no longer the old one."""
        link = next(link for link in context.seed["links"] if link["name"] == INET)
        old = str(link["addresses"][0])
        run(["ip", "-batch", "-"], text=build_move(link, old, address))
        return lambda: run(["ip", "-batch", "-"], text=build_move(link, address, old))

    return {"move": move}


def build_move(link: dict[str, Any], old: str, new: str) -> str:
    """Return the `ip -batch` script: with the last address of a link its routes go, too."""
    lines = [f"addr del {old} dev {INET}", f"addr add {new} dev {INET}"]
    lines += [f"route replace {route['to']} via {route['via']} dev {INET}" for route in link.get("routes", ())]
    return "\n".join(lines) + "\n"
