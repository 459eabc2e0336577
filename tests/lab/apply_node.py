"""Runs in a router container: the Applier alone, on a WAN link with a static address. Not collected by pytest."""

from __future__ import annotations

import base64
import threading
from pathlib import Path

from runtime.apply import Applier
from runtime.uplink_state import UplinkState

from emulators.common.links import settle_links
from emulators.common.probes import build_probes
from emulators.common.service import Console, load_seed, serve_commands
from emulators.common.supervise import run


def main() -> None:
    console = Console("router", "runtime")
    seed = load_seed()
    settle_links(seed)
    wan = seed["settings"]["uplink"]
    run(["ip", "link", "set", wan["interface"], "mtu", str(wan["mtu"])])
    run(["ip", "route", "replace", "default", "via", wan["gateway"]])
    uplink = UplinkState(**{**wan, "name_servers": tuple(wan["name_servers"])})
    applier = Applier(console, Path("/flash"))
    console.emit("node.ready")
    serve_commands(
        console,
        {
            **build_probes(),
            "apply": lambda document: applier.apply(base64.b64decode(document), uplink),
            "confirm": applier.confirm,
            "roll_back": applier.roll_back,
            "restore": lambda: applier.restore(uplink),
            "uplink": lambda there: applier.on_uplink(uplink if there else None),
            "stop": applier.stop,
        },
    )
    threading.Event().wait()


main()
