"""The management server: RFC 8572 bootstrap server and firmware store. Layer: stand-in, thin main."""

from __future__ import annotations

import asyncio
import base64
import signal
import ssl
import threading
from dataclasses import dataclass
from typing import Any

from emulators.common.alert_report import parse_report
from emulators.common.controls import OPERATORS_PORT
from emulators.common.impair import load_impairments
from emulators.common.links import settle_links
from emulators.common.service import Console, Handler, load_seed, serve_commands
from emulators.common.verbs import standard_verbs
from emulators.management.alert_sender import read_alerts, start_alerts
from emulators.management.machine import ManagementMachine, load_machine
from emulators.management.operator_api import OperatorApi, build_trust
from emulators.management.records import build_records
from emulators.management.render import MIRROR_PORT, build_offer, image_path
from emulators.management.server import Mirror, Server, StoredImage, build_tls, serve_forever, start_site

PORT = 443  # RFC 8572 §6.3, leaf port: the default of a bootstrap server
IMAGE_PORT = 80


@dataclass(frozen=True, slots=True)
class ManagementContext:
    """What the server's impairments may lay hands on. They are called in threads of their own, not in the loop's."""

    seed: dict[str, Any]
    console: Console
    loop: asyncio.AbstractEventLoop
    machine: ManagementMachine
    server: Server
    tls: ssl.SSLContext
    first_mirror: Mirror
    """Of the places where a device is told to get its image, the first."""


async def run(seed: dict[str, Any], console: Console, handlers: dict[str, Handler]) -> None:
    """Serve until SIGTERM; put the verbs that need the server into `handlers` once it serves."""
    settings = seed["settings"]
    firmware, tls = settings["firmware"], settings["tls"]
    path = image_path(firmware["os_name"], firmware["release"])
    data = base64.b64decode(firmware["image_base64"], validate=True)
    image = StoredImage(path, data, f'"{firmware["sha256"]}"')
    machine = load_machine(settings, build_offer(settings))
    sender = start_alerts(settings)
    server = Server(console, machine, image, lambda serial, said: sender.on_heartbeat(serial, parse_report(said)))

    desk = OperatorApi(console, machine, build_trust(settings)) if settings.get("operators") else None
    if desk is not None:
        desk.set_rules(settings["operators"])

    def serve(
        config: dict[str, Any], alerts: dict[str, Any] | None = None, operators: dict[str, Any] | None = None
    ) -> dict[str, Any]:
        """Have another configuration for the device: it learns of it by its next heartbeat's answer. The server itself
        goes by the other settings at once."""
        offer = build_offer({**settings, "config": config})
        machine.serve(offer)
        sender.ask_for(read_alerts(alerts))
        if desk is not None:
            desk.set_rules(operators)
            machine.release_all()
        return {"digest": offer.digest}

    handlers |= {"serve": serve} | build_records(machine, server)

    def on_refused(reason: str) -> None:
        console.emit("session.refused", reason=reason, serial=None)

    def on_opened(serial: str | None) -> None:
        console.emit("session.opened", serial=serial)

    context = build_tls(tls["certificate_pem"], tls["key_pem"], tls["device_ca_pem"], on_refused, on_opened)
    sites = [await start_site(server.build_app(), None, port, context) for port in settings.get("ports", [PORT])]
    sites.append(await start_site(server.build_app(images_only=True), None, IMAGE_PORT, None))
    mirror = Mirror(server.build_app(images_only=True), MIRROR_PORT, context)
    await mirror.open()
    if desk is not None:
        sites.append(await start_site(desk.build_app(), None, OPERATORS_PORT, context))
    bench = ManagementContext(seed, console, asyncio.get_running_loop(), machine, server, context, mirror)
    handlers |= load_impairments("emulators.management.impairments", bench).verbs()
    serving = asyncio.ensure_future(serve_forever(*sites, mirror))
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, serving.cancel)
    console.emit("node.ready")
    try:
        await serving
    except asyncio.CancelledError:
        return


def main() -> None:
    """Run the management server."""
    console = Console("management", "core")
    try:
        seed = load_seed()
        settle_links(seed)
        handlers = standard_verbs()
        threading.Thread(target=serve_commands, args=(console, handlers), daemon=True).start()
        asyncio.run(run(seed, console, handlers))
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        raise


if __name__ == "__main__":
    main()
