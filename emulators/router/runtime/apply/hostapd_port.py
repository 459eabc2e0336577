"""hostapd's control socket at one port, and what it says there. Layer: router firmware, I/O; `parse_*` are pure.

Events by hostapd's own names (src/common/wpa_ctrl.h). An attached socket gets them as ``<level>EVENT ...``; a command's
answer comes without a level, over a socket of its own, so that the two cannot be taken for each other.
"""

from __future__ import annotations

import itertools
import os
import re
import socket
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

HOME: Final = "/run/hostapd"
ANSWER_S: Final = 1.0
_EVENT: Final = re.compile(r"<\d>(\S+) ((?:[0-9a-f]{2}:){5}[0-9a-f]{2})\b")
_MEANINGS: Final[dict[str, Literal["started", "succeeded", "failed", "left"]]] = {
    "CTRL-EVENT-EAP-STARTED": "started",
    "CTRL-EVENT-EAP-SUCCESS2": "succeeded",
    "CTRL-EVENT-EAP-FAILURE2": "failed",
    "AP-STA-DISCONNECTED": "left",
}
_NUMBERS = itertools.count()


@dataclass(frozen=True, slots=True)
class PortEvent:
    kind: Literal["started", "succeeded", "failed", "left"]
    mac: str


def parse_event(text: str) -> PortEvent | None:
    """Return what an event says of a device, None for all other events."""
    found = _EVENT.match(text)
    kind = _MEANINGS.get(found[1]) if found else None
    return PortEvent(kind, found[2]) if found and kind else None


def parse_eap_type(station: str) -> int | None:
    """Return the type of the last EAP method that the server spoke, of the answer to ``STA``."""
    found = re.search(r"^last_eap_type_as=(\d+)", station, re.MULTILINE)
    return int(found[1]) if found else None


class HostapdPort:
    """The control socket of one port. Not to be shared by threads."""

    def __init__(self, port: str) -> None:
        self._target = f"{HOME}/{port}"
        self._events = self._open()
        self._events.send(b"ATTACH")

    def close(self) -> None:
        """Let go of it."""
        self._shut(self._events)

    def wait_event(self, timeout_s: float) -> PortEvent | None:
        """Return the next event; None when there is none in time, or none of ours. Raises: OSError (hostapd gone)."""
        self._events.settimeout(timeout_s)
        try:
            return parse_event(self._events.recv(4096).decode("utf-8", "replace"))
        except TimeoutError:
            return None

    def find_eap_type(self, mac: str) -> int | None:
        """Return the type of the method by which a device was let in. Raises: OSError."""
        return parse_eap_type(self._ask(f"STA {mac}"))

    def is_there(self) -> bool:
        """Say whether hostapd still answers."""
        try:
            return self._ask("PING").startswith("PONG")
        except OSError:
            return False

    def _ask(self, command: str) -> str:
        asking = self._open()
        try:
            asking.settimeout(ANSWER_S)
            asking.send(command.encode())
            return asking.recv(8192).decode("utf-8", "replace")
        finally:
            self._shut(asking)

    def _open(self) -> socket.socket:
        own = f"/run/hostapd-client-{os.getpid()}-{next(_NUMBERS)}"
        opened = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        try:
            opened.bind(own)
            opened.connect(self._target)
        except OSError:
            self._shut(opened)
            Path(own).unlink(missing_ok=True)
            raise
        return opened

    @staticmethod
    def _shut(used: socket.socket) -> None:
        own = ""
        with suppress(OSError):
            own = used.getsockname()
        used.close()
        if isinstance(own, str) and own:
            Path(own).unlink(missing_ok=True)
