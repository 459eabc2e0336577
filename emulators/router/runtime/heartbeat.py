"""Heartbeats after bootstrap: a progress report `informational` at a steady pace. Layer: runtime (full release), I/O.

RFC 8572 leaves `informational` free for whatever a device wants to say, and needs no 204 for it. A heartbeat that is
not answered is tried again at the next turn; the servers are tried in their order. The answer's entity tag (RFC 8040
section 3.5.2) is the digest of the configuration that the server has for the device: another one than its own is news.
"""

from __future__ import annotations

import syslog
import threading
from collections.abc import Callable

from emulators.common.conveyed import DEFAULT_PORT
from emulators.common.service import Console
from emulators.common.yang_json import INPUT, REPORT

from .apply.device_log import note
from .bootstrap_effects import Answer, Server
from .bootstrap_http import HttpClient
from .bootstrap_machine import OPERATIONS


def build_servers(names: tuple[str, ...], known: tuple[Server, ...]) -> tuple[Server, ...]:
    """Return the servers of a configuration: ``name`` or ``name:port``. Trust, and the port where a name says none, are
    those of the bootstrap server of that name, else the first one's trust and the default port."""
    servers = []
    for name in names:
        address, _, port = name.partition(":")
        same = next((server for server in known if server.address == address), None)
        usual = same.port if same else DEFAULT_PORT
        servers.append(Server(address, int(port) if port else usual, (same or known[0]).trust_pem))
    return tuple(servers)


def run_heartbeats(
    console: Console,
    client: HttpClient,
    servers: tuple[Server, ...],
    interval_s: float,
    *,
    stop: threading.Event,
    is_news: Callable[[str], bool],
) -> None:
    """Send heartbeats until `stop` is set, or the server has news: a configuration that is not the running one."""
    body = {INPUT: {"progress-type": "informational", "message": "heartbeat"}}
    while not stop.wait(interval_s):
        for server in servers:
            answer = client.post(server, OPERATIONS + REPORT, body)
            if client.is_news(answer):
                console.emit("management.reached", server=str(server))
            if isinstance(answer, Answer) and answer.status == 204:
                note(syslog.LOG_DEBUG, f"heartbeat answered by {server}")
                if answer.etag is not None and is_news(answer.etag):
                    return
                break
            console.emit("bootstrap.progressed", step="heartbeat.failed", detail=f"{server}: {answer}")
