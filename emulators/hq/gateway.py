"""Headquarters' IKEv2 gateway: charon as responder, and the witness of the tunnel. Layer: stand-in, I/O.

It says what charon tells it of SAs (`sa.established`, `child.installed`, `child.removed`) and, out of charon's log, why
a peer was refused (`sa.refused`). The verb ``close`` takes it out of service for a while.
Pure parts: tunnel.py, refusal.py.
"""

from __future__ import annotations

import sys
import threading
import time
from dataclasses import dataclass
from ipaddress import IPv4Interface
from typing import Any

from emulators.common.capture import capture_path, start_capture
from emulators.common.charon import cap_inner, choose_means, prepare_interface, set_tunnel_mtu, start_charon
from emulators.common.esp_sizes import largest_inner, parse_suite
from emulators.common.impair import load_impairments
from emulators.common.links import settle_links
from emulators.common.record import from_json
from emulators.common.service import Console, Handler, load_seed, log, serve_commands
from emulators.common.supervise import run
from emulators.common.swanctl import CONNECTION, Means, render_charon
from emulators.common.verbs import standard_verbs
from emulators.common.vici_client import Charon, CharonError
from emulators.hq.markings import count_markings, watch_markings
from emulators.hq.refusal import find_refusal
from emulators.hq.tunnel import HQLAN, INET, GatewayTunnel, build_responder, describe_event, render_filter

NODE, PART = "hq-gateway", "core"
LONGEST_CLOSE_S = 30.0
INET_MTU_BYTES = 1500  # IEEE 802.3: the link to the internet


@dataclass(frozen=True, slots=True)
class GatewayContext:
    """What the gateway's impairments may lay hands on. `connection` is the responder as charon has it."""

    seed: dict[str, Any]
    console: Console
    charon: Charon
    tunnel: GatewayTunnel
    connection: dict[str, Any]


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
    tunnel = from_json(GatewayTunnel, seed["settings"]["tunnel"])
    run(["nft", "-f", "-"], text=render_filter())
    means, reason = choose_means()
    console.emit("means.chosen", what="esp", means=means, reason=reason)

    def on_line(line: str) -> None:
        refusal = find_refusal(line)
        if refusal is not None:
            console.emit("sa.refused", reason=refusal[0], detail=refusal[1])

    start_charon(render_charon(means, ""), on_line)
    listening = threading.Event()
    threading.Thread(target=_listen, args=(console, means, listening), name="events", daemon=True).start()
    listening.wait(5.0)
    charon = Charon()
    if tunnel.method == "psk":
        charon.load_psk(tunnel.psk or "", (tunnel.local_id, tunnel.remote_id))
    else:
        charon.load_key(tunnel.key_pem or "")
        charon.load_ca(tunnel.remote_ca_pem or "")
    prepare_interface(means, tunnel.remote_subnets, find_own_address(seed))
    sizes = [largest_inner(INET_MTU_BYTES, parse_suite(text), in_udp=True) for text in tunnel.esp_proposals]
    set_tunnel_mtu(cap_inner(min(sizes), means))
    connection = build_responder(tunnel, means)
    charon.load_connection(CONNECTION, connection)
    context = GatewayContext(seed, console, charon, tunnel, connection)
    impairments = load_impairments("emulators.hq.impairments_gateway", context)
    return {"close": lambda for_s: close(console, charon, connection, for_s), **impairments.verbs()}


def close(console: Console, charon: Charon, connection: dict[str, Any], for_s: float) -> dict[str, float]:
    """Take the gateway out of service in good order (peers get a DELETE, RFC 7296 section 1.4.1; new ones are refused),
    and put it back after `for_s` seconds, whatever happens."""
    console.emit("gateway.closed")
    charon.unload_connection(CONNECTION)
    try:
        charon.terminate(CONNECTION)
        time.sleep(min(for_s, LONGEST_CLOSE_S))
    finally:
        charon.load_connection(CONNECTION, connection)
        console.emit("gateway.opened")
    return {"for_s": for_s}


def find_own_address(seed: dict[str, Any]) -> str:
    """Return the gateway's address on headquarters' LAN: the source of its own packets into the tunnel."""
    for link in seed["links"]:
        if link["name"] == HQLAN and link["addresses"]:
            return str(IPv4Interface(link["addresses"][0]).ip)
    raise ValueError(f"expected a link {HQLAN} with an address, saw {[link['name'] for link in seed['links']]}")


def _listen(console: Console, means: Means, listening: threading.Event) -> None:
    listening.set()
    try:
        for kind, event in Charon().listen(("ike-updown", "child-updown")):
            for name, data in describe_event(kind, event, means):
                console.emit(name, **data)
    except CharonError as error:
        log(str(error))
        console.emit("node.failed", error=str(error))
        sys.exit(1)


if __name__ == "__main__":
    main()
