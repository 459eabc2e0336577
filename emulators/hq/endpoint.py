"""The endpoint behind headquarters' gateway: what a branch must reach. Layer: stand-in, I/O.

It answers echoes (the kernel does; they are witnessed on the link), serves bytes by HTTP, takes in syslog, and tries
what it is asked to (probes). Pure parts: echo_witness.py, octets.py. The log server: log_sink.py.
"""

from __future__ import annotations

import dataclasses
import socket
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from emulators.common.exchange import Exchange
from emulators.common.impair import load_impairments
from emulators.common.links import settle_links
from emulators.common.probes import build_probes
from emulators.common.service import Console, load_seed, log, serve_commands
from emulators.common.supervise import run
from emulators.common.vantage import start_vantage
from emulators.common.verbs import standard_verbs
from emulators.hq.echo_witness import parse_echo
from emulators.hq.log_sink import LogSink
from emulators.hq.octets import LARGEST_BYTES, split_octets
from emulators.hq.radius import RadiusServer

NODE, PART, LINK = "hq-endpoint", "core", "hqlan"
HTTP_PORT = 80  # IANA registry
MOST_ECHOES = 2000  # enough for a run and its looks, and no flood
"""Events of one run: enough for every acceptance ping; a flood would drown the line."""
ETH_P_IP = 0x0800  # IEEE 802 numbers: IPv4


def main() -> None:
    """Run the endpoint until stdin ends."""
    console = Console(NODE, PART)
    try:
        seed = load_seed()
        settle_links(seed)
        settings = seed["settings"]
        run(["ip", "route", "replace", "default", "via", settings["gateway"], "dev", LINK])
        _start_witness(console)
        _start_web(console)
        verbs = {**standard_verbs(), **build_probes(), **start_vantage(NODE, [LINK])}
        verbs |= Exchange(settings.get("exchange") or []).start().verbs()
        if settings.get("syslog") is not None:
            sink = LogSink(console, settings["syslog"])
            sink.start()
            verbs |= sink.verbs()
        if settings.get("radius") is not None:
            radius = RadiusServer(console, settings["radius"], settings["branch_subnets"])
            radius.start()
            verbs |= radius.verbs()
        verbs |= load_impairments("emulators.hq.impairments_endpoint", seed).verbs()
        console.emit("node.ready")
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        raise
    serve_commands(console, verbs)
    threading.Event().wait()


# ---------------------------------------------------------------- echoes


def _start_witness(console: Console) -> None:
    witness = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(ETH_P_IP))
    witness.bind((LINK, ETH_P_IP))
    threading.Thread(target=_watch_echoes, args=(console, witness), name="echoes", daemon=True).start()


def _watch_echoes(console: Console, witness: socket.socket) -> None:
    seen = 0
    while seen < MOST_ECHOES:
        try:
            packet, origin = witness.recvfrom(65535)
        except OSError as error:  # packet(7): told once that the link is down; then it waits as before
            log(f"echoes: {error}")
            continue
        echo = parse_echo(packet) if origin[2] == socket.PACKET_HOST else None
        if echo is not None:
            seen += 1
            console.emit("echo.received", **dataclasses.asdict(echo))
    witness.close()


# ---------------------------------------------------------------- web


def _start_web(console: Console) -> None:
    class Pages(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            count = parse_path(self.path)
            if count is None:
                self.send_error(404, "expected /bytes/N")
                return
            self.send_response(200)
            self.send_header("Content-Type", "application/octet-stream")
            self.send_header("Content-Length", str(count))
            self.end_headers()
            for block in split_octets(count):
                self.wfile.write(block)
            console.emit("http.served", client=self.client_address[0], path=self.path, bytes=count)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
            log(f"http {self.client_address[0]}: {format % args}")

    server = ThreadingHTTPServer(("", HTTP_PORT), Pages)
    threading.Thread(target=server.serve_forever, name="http", daemon=True).start()


def parse_path(path: str) -> int | None:
    """Return N of ``/bytes/N``, None for any other path."""
    word = path.removeprefix("/bytes/")
    if word == path or not word.isascii() or not word.isdigit() or int(word) > LARGEST_BYTES:
        return None
    return int(word)


if __name__ == "__main__":
    main()
