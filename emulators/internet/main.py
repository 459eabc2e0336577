"""The internet as the branch sees it: names, time, web, and the provider of the fixed line. Layer: stand-in, I/O.

Two links: ``inet``, where carrier, management server and HQ gateway are, and ``fixed``, the line into the router's
Ethernet WAN port. Between them this node forwards (the kernel does; a sysctl of the topology). It is the witness of
which addresses appear on either link. Ready means: it has itself asked its name
and time servers on every address, they answered, and the web server's port is open.

Not here: the daemons' command lines (daemons.py), the pages (web.py).
"""

from __future__ import annotations

import socket
import struct
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from emulators.common import probes
from emulators.common.capture import capture_path, start_capture
from emulators.common.dnsmasq_log import DnsmasqLog, LeaseGranted, NameAnswered
from emulators.common.exchange import Exchange
from emulators.common.impair import load_impairments
from emulators.common.links import settle_links
from emulators.common.outage import build_outage
from emulators.common.packet_watch import FirstPacket, PacketWatch
from emulators.common.service import Console, Handler, load_seed, serve_commands
from emulators.common.supervise import Daemon, Keeper
from emulators.common.vantage import start_vantage
from emulators.common.verbs import standard_verbs
from emulators.internet.applications import Applications
from emulators.internet.daemons import CHRONY_FILE, build_chrony, build_dnsmasq, chronyd_command, read_fixed_line
from emulators.internet.operators_desk import open_desk
from emulators.internet.resolver import start_resolvers
from emulators.internet.web import start_web
from emulators.internet.webhook import start_webhook

READY_TIMEOUT_S = 15.0  # all of it takes under 1 s here; a loaded machine gets a wide margin
NTP_PORT = 123  # RFC 5905 section 7.2
NTP_TRY_S = 0.2


@dataclass(frozen=True, slots=True)
class InternetContext:
    """What the internet's impairments may lay hands on: the daemons for names and for time among them."""

    seed: dict[str, Any]
    console: Console
    names: Keeper
    clock: Keeper


def main() -> None:
    seed = load_seed()
    console = Console(seed["node"], "core")
    try:
        handlers = start(seed, console)
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        sys.exit(1)
    console.emit("node.ready")
    serve_commands(console, handlers)
    threading.Event().wait()  # stdin has ended (compose by hand): go on serving


def start(seed: dict[str, Any], console: Console) -> dict[str, Handler]:
    """Bring everything up and check it; return the handlers of every verb."""
    settings = seed["settings"]
    settle_links(seed)
    own = {link["name"]: [a.partition("/")[0] for a in link["addresses"]] for link in seed["links"]}
    addresses = [address for listed in own.values() for address in listed]
    for name in own:
        start_capture(name, capture_path(name))
        PacketWatch(name, announce(console, name), [f"{a}/32" for a in (*addresses, "0.0.0.0")]).start()
    command = build_dnsmasq(settings["zones"], addresses, read_fixed_line(settings))
    names = Keeper(Daemon("dnsmasq", command, on_line=follow(console, addresses))).start()
    Path(CHRONY_FILE).write_text(build_chrony(), encoding="utf-8")
    clock = Keeper(Daemon("chronyd", chronyd_command())).start()
    start_web(settings["web"])
    if others := settings.get("resolvers"):
        start_resolvers(others["addresses"], others["names"], addresses[0])
    if settings.get("webhook"):
        start_webhook(console, settings["webhook"], addresses[0])
    desk = open_desk(settings["sign_in"], addresses[0]) if settings.get("sign_in") else {}
    for address in addresses:
        names.wait_ready(partial(answers_names, address), READY_TIMEOUT_S)
        clock.wait_ready(partial(answers_time, address), READY_TIMEOUT_S)
    vantage = {**start_vantage(seed["node"], list(own)), **start_services(settings)}
    asked = probes.build_probes(lambda: (addresses[0],))
    impairments = load_impairments("emulators.internet.impairments", InternetContext(seed, console, names, clock))
    return {**vantage, **standard_verbs(), **asked, **build_outage(seed, console), **desk, **impairments.verbs()}


def start_services(settings: dict[str, Any]) -> dict[str, Handler]:
    """Start what the branch may use, or not, and what it exchanges; return the verbs that tell what came."""
    exchange = Exchange(settings.get("exchange") or []).start()
    served = settings.get("applications")
    if not served:
        return exchange.verbs()
    applications = Applications(served["addresses"], served["ports"], served["names"]).start()
    return {**exchange.verbs(), **applications.verbs()}


def announce(console: Console, link: str) -> Callable[[FirstPacket], None]:
    """Return the watcher's callback for one link."""

    def on_first(packet: FirstPacket) -> None:
        console.emit(
            "address.seen",
            source=packet.source,
            destination=packet.destination,
            protocol=packet.protocol,
            port=packet.port,
            link=link,
        )

    return on_first


def follow(console: Console, own: Sequence[str]) -> Callable[[str], None]:
    """Return the reader of dnsmasq's log. Questions from its `own` addresses (readiness, probes) are not announced."""
    log = DnsmasqLog()

    def on_line(line: str) -> None:
        said = log.feed(line)
        if isinstance(said, NameAnswered) and said.client not in own:
            console.emit("name.answered", client=said.client, name=said.name, address=said.address)
        elif isinstance(said, LeaseGranted):
            console.emit("dhcp.leased", mac=said.mac, address=said.address, lease_s=said.lease_s)

    return on_line


def answers_names(address: str) -> bool:
    """Say whether the name server answers at all: for a name that cannot exist (RFC 6761 section 6.4)."""
    return bool(probes.resolve("ready.invalid", address, 0.5)["rcode"] == "NXDOMAIN")


def answers_time(address: str) -> bool:
    """Say whether the time server answers as a synchronised one (RFC 5905 section 7.3: leap below 3, stratum 1-15)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        line.settimeout(NTP_TRY_S)
        try:
            line.sendto(struct.pack("!B47x", 4 << 3 | 3), (address, NTP_PORT))  # version 4, client
            answer = line.recv(512)
        except OSError:
            return False
    return len(answer) >= 48 and answer[0] >> 6 != 3 and answer[0] & 7 == 4 and 1 <= answer[1] <= 15


if __name__ == "__main__":
    main()
