"""Headquarters' IKEv2 gateway: charon as responder, and the witness of the tunnel. Layer: stand-in, I/O.

It says what charon tells it of SAs (`sa.established`, `child.installed`, `child.removed`) and, out of charon's log, why
a peer was refused (`sa.refused`). The verb ``close`` takes it out of service for a while; ``expect {tunnel}`` (as in
the seed) has it expect another peer: SAs that stand are ended, and whoever comes again meets the new settings.
Pure parts: tunnel.py, refusal.py.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import Any

from emulators.common.capture import capture_path, start_capture
from emulators.common.impair import load_impairments
from emulators.common.links import settle_links
from emulators.common.service import Console, Handler, load_seed, serve_commands
from emulators.common.supervise import run
from emulators.common.swanctl import CONNECTION
from emulators.common.verbs import standard_verbs
from emulators.hq.markings import count_markings, watch_markings
from emulators.hq.responder import Responder
from emulators.hq.tunnel import HQLAN, INET, render_filter

NODE, PART = "hq-gateway", "core"
LONGEST_CLOSE_S = 30.0


@dataclass(frozen=True, slots=True)
class GatewayContext:
    """What the gateway's impairments may lay hands on."""

    seed: dict[str, Any]
    console: Console
    responder: Responder


def main() -> None:
    """Run the gateway until stdin ends."""
    console = Console(NODE, PART)
    try:
        seed = load_seed()
        settle_links(seed)
        for link in (INET, HQLAN):
            start_capture(link, capture_path(link))
        verbs = _start(console, seed)
        console.emit("node.ready")
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        raise
    markings: dict[str, Handler] = {"watch_markings": watch_markings, "count_markings": count_markings}
    serve_commands(console, {**standard_verbs(), **markings, **verbs})
    threading.Event().wait()


def _start(console: Console, seed: dict[str, Any]) -> dict[str, Handler]:
    run(["nft", "-f", "-"], text=render_filter())
    responder = Responder(seed, console)
    responder.start()
    context = GatewayContext(seed, console, responder)
    impairments = load_impairments("emulators.hq.impairments_gateway", context)
    own: dict[str, Handler] = {"close": lambda for_s: close(console, responder, for_s), "expect": responder.expect}
    return {**own, **impairments.verbs()}


def close(console: Console, responder: Responder, for_s: float) -> dict[str, float]:
    """Take the gateway out of service in good order (peers get a DELETE, RFC 7296 section 1.4.1; new ones are refused),
    and put it back after `for_s` seconds, whatever happens."""
    console.emit("gateway.closed")
    responder.charon.unload_connection(CONNECTION)
    try:
        responder.charon.terminate(CONNECTION)
        time.sleep(min(for_s, LONGEST_CLOSE_S))
    finally:
        responder.load()
        console.emit("gateway.opened")
    return {"for_s": for_s}


if __name__ == "__main__":
    main()
