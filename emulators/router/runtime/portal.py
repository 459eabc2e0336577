"""Is there a portal in the way? Layer: firmware, I/O; `judge_page` is pure.

Two tests, both of an answer that is known beforehand. A name under ``invalid`` does not exist (RFC 6761 section 6.4): a
resolver that has an address for it answers for everything. A server's plain HTTP is its own: a page that says 511 (RFC
6585 section 6), or that leads to another host, is somebody else's. RFC 8910 would have the network say so itself; a
bearer has no place for that.

Not here: what is done about it. Nothing can be: whoever pays must sign in, or top up.
"""

from __future__ import annotations

import http.client
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from emulators.common.service import Console

from .names import ResolveError, resolve

NO_SUCH_ZONE = "invalid"
TIMEOUT_S = 5.0  # our choice: whoever looks is in trouble already
NETWORK_AUTHENTICATION = 511
AGAIN_S = 20.0  # our choice: how often it is looked for while the trouble lasts


@dataclass(frozen=True, slots=True)
class Portal:
    """`by`: ``names`` or ``http``."""

    by: str
    detail: str


def find_portal(host: str, name_servers: tuple[str, ...]) -> Portal | None:
    """Return what stands in the way to a server, or None where nothing was found."""
    name = f"{secrets.token_hex(8)}.{NO_SUCH_ZONE}"
    try:
        return Portal("names", f"{name} is {resolve(name, name_servers, TIMEOUT_S)[0]}")
    except ResolveError:
        pass  # as it must be
    try:
        connection = http.client.HTTPConnection(resolve(host, name_servers, TIMEOUT_S)[0], timeout=TIMEOUT_S)
        connection.request("GET", "/", headers={"Host": host})
        answer = connection.getresponse()
        said = judge_page(host, answer.status, answer.getheader("Location"))
        connection.close()
    except (OSError, http.client.HTTPException):  # ResolveError too: nobody is there, so no portal is
        return None
    return None if said is None else Portal("http", said)


def judge_page(host: str, status: int, location: str | None) -> str | None:
    """Return why a page is not the server's own, or None."""
    if status == NETWORK_AUTHENTICATION:
        return f"{host}: status 511 Network Authentication Required"
    elsewhere = urlsplit(location or "").hostname
    if 300 <= status < 400 and elsewhere not in (None, host):
        return f"{host}: status {status} leads to {elsewhere}"
    return None


def is_suspicious(kind: str, data: dict[str, Any]) -> bool:
    """Say whether an event of the device's own is one that a portal would cause: no time, or a strange certificate."""
    if kind == "bootstrap.progressed":
        return "failed" in str(data.get("step")) and "tls: server certificate" in str(data.get("detail"))
    return kind == "clock.failed"


class PortalWatch:
    """Listens to the device's events and looks for a portal where one is likely. Tells `portal.detected`, once for as
    long as what it finds is the same."""

    def __init__(self, console: Console, host: str, name_servers: Callable[[], tuple[str, ...]]) -> None:
        self._console, self._host, self._name_servers = console, host, name_servers
        self._lock, self._looked_s, self._told = threading.Lock(), float("-inf"), ""

    def on_event(self, kind: str, data: dict[str, Any]) -> None:
        """Take notice of an event; what takes time is done in a thread of its own."""
        now_s = time.monotonic()
        if not is_suspicious(kind, data) or now_s - self._looked_s < AGAIN_S:
            return
        self._looked_s = now_s
        threading.Thread(target=self._look, name="portal", daemon=True).start()

    def _look(self) -> None:
        with self._lock:
            found = find_portal(self._host, self._name_servers())
            if found is not None and found.by != self._told:
                self._console.emit("portal.detected", by=found.by, detail=found.detail)
            self._told = found.by if found is not None else ""
