"""The management server: RFC 8572 bootstrap server and firmware store. Layer: stand-in, thin main."""

from __future__ import annotations

import asyncio
import base64
import signal
import threading
from typing import Any

from emulators.common.links import settle_links
from emulators.common.service import Console, load_seed, serve_commands
from emulators.common.verbs import standard_verbs
from emulators.management.machine import load_machine
from emulators.management.render import build_offer, image_path
from emulators.management.server import Server, StoredImage, build_tls, serve_forever, start_site

PORT = 443  # RFC 8572 §6.3, leaf port: the default of a bootstrap server
IMAGE_PORT = 80


async def serve(seed: dict[str, Any], console: Console) -> None:
    """Serve until SIGTERM."""
    settings = seed["settings"]
    firmware, tls = settings["firmware"], settings["tls"]
    path = image_path(firmware["os_name"], firmware["release"])
    data = base64.b64decode(firmware["image_base64"], validate=True)
    image = StoredImage(path, data, f'"{firmware["sha256"]}"')
    server = Server(console, load_machine(settings, build_offer(settings)), image)

    def on_refused(reason: str) -> None:
        console.emit("session.refused", reason=reason, serial=None)

    context = build_tls(tls["certificate_pem"], tls["key_pem"], tls["device_ca_pem"], on_refused)
    sites = [await start_site(server.build_app(), None, port, context) for port in settings.get("ports", [PORT])]
    sites.append(await start_site(server.build_app(images_only=True), None, IMAGE_PORT, None))
    serving = asyncio.ensure_future(serve_forever(*sites))
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
        threading.Thread(target=serve_commands, args=(console, standard_verbs()), daemon=True).start()
        asyncio.run(serve(seed, console))
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        raise


if __name__ == "__main__":
    main()
