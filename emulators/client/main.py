"""A client on one of the router's LAN ports: gets its address by DHCP and tries what it is asked. Layer: stand-in, I/O.

Everything runs in this one process, each verb in a thread of its own. Not here: the probes (common/probes.py).
"""

from __future__ import annotations

import sys
import threading
from dataclasses import dataclass
from typing import Any

from emulators.client.admission import Admission
from emulators.client.lease import Lease, Leaser
from emulators.common.impair import load_impairments
from emulators.common.links import settle_links
from emulators.common.probes import build_probes
from emulators.common.record import to_json
from emulators.common.service import Console, Handler, load_seed, serve_commands
from emulators.common.vantage import start_vantage
from emulators.common.verbs import standard_verbs


@dataclass(frozen=True, slots=True)
class ClientContext:
    """What the client's impairments may lay hands on."""

    seed: dict[str, Any]


def main() -> None:
    seed = load_seed()
    console = Console(seed["node"], "core")
    try:
        handlers = build(seed, console)
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        sys.exit(1)
    console.emit("node.ready")
    serve_commands(console, handlers)
    threading.Event().wait()  # stdin has ended (compose by hand): stay, and keep the lease


def build(seed: dict[str, Any], console: Console) -> dict[str, Handler]:
    """Set up the link; return the handlers of every verb."""
    if len(seed["links"]) != 1:
        raise ValueError(f"links: expected the one of the client's LAN port, saw {len(seed['links'])}")
    settle_links(seed)

    def on_lease(lease: Lease) -> None:
        console.emit("lease.obtained", **to_json(lease))

    link = seed["links"][0]["name"]
    leaser = Leaser(link, on_lease)
    admission = Admission(link, seed["settings"].get("admission"))
    admission.settle()

    def lease(timeout_s: float = 20.0) -> dict[str, Any]:
        admission.enter()
        return dict(to_json(leaser.obtain(timeout_s)))

    vantage = start_vantage(seed["node"], [link])
    impairments = load_impairments("emulators.client.impairments", ClientContext(seed)).verbs()
    return {
        **standard_verbs(),
        **impairments,
        **build_probes(leaser.name_servers),
        **vantage,
        **admission.verbs(),
        "lease": lease,
    }


if __name__ == "__main__":
    main()
