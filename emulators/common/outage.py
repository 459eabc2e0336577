"""The verb ``outage``: a link goes dead for a while, and comes back whatever happens. Layer: stand-in, I/O (nft).

Every IPv4 packet that comes from the link or leaves by it is dropped, as if its other end were gone: the interfaces
keep their carrier, as behind a switch, and captures go on. The table is the verb's own.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from typing import Any

from emulators.common.service import Console, Handler
from emulators.common.supervise import run

LONGEST_S = 300.0
"""Whatever is asked, a link comes back after this. Our choice: three heartbeats of a minute and a half."""


def build_outage(seed: Mapping[str, Any], console: Console) -> dict[str, Handler]:
    """Return the verb for the seed's links."""
    locks = {str(link["name"]): threading.Lock() for link in seed["links"]}

    def outage(name: str, for_s: float) -> dict[str, float]:
        """Kill a link for `for_s` seconds. Raises: KeyError for a link that is not there."""
        cut_s = min(for_s, LONGEST_S)
        with locks[name]:
            run(["nft", "-f", "-"], text=render_cut(name))
            console.emit("link.cut", name=name)
            try:
                time.sleep(cut_s)  # the outage itself
            finally:
                run(["nft", "delete", "table", "inet", f"outage_{name}"])
                console.emit("link.restored", name=name)
        return {"for_s": cut_s}

    return {"outage": outage}


def render_cut(name: str) -> str:
    """Return the nft script that cuts a link. Before every other table's chains, whichever way packets go."""
    return (
        f"table inet outage_{name} {{\n"
        "  chain arriving {\n"
        "    type filter hook prerouting priority -400; policy accept;\n"
        f'    iifname "{name}" drop\n'
        "  }\n"
        "  chain going {\n"
        "    type filter hook postrouting priority -400; policy accept;\n"
        f'    oifname "{name}" drop\n'
        "  }\n"
        "}\n"
    )
