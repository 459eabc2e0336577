"""The device's side of IEEE 802.1X: wpa_supplicant with its wired driver. Layer: stand-in, I/O; `render_*` is pure.

A supplicant would wait 2 s for the port to ask before it asks to be asked (EAPOL-Start). Whoever starts one here sends
that frame as soon as it listens.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Literal

from emulators.common import eapol
from emulators.common.supervise import Daemon, Keeper, write_private

HOME = Path("/run/supplicant")
START_EVERY_S = 1.0
READY_S = 3.0
Outcome = Literal["accepted", "refused", "undecided", "unasked"]
"""What came of a conversation; ``undecided``: it began and had no end yet; ``unasked``: the port asks nothing."""
_SIGNS: tuple[tuple[str, Outcome], ...] = (
    ("CTRL-EVENT-EAP-SUCCESS", "accepted"),
    ("CTRL-EVENT-EAP-FAILURE", "refused"),
    ("CTRL-EVENT-EAP-STARTED", "undecided"),
)


def render_supplicant(credential: Mapping[str, Any], folder: Path) -> dict[str, str]:
    """Return file name to text of a credential. Strings go in as hexadecimal, so that none can be read as more."""
    lines = [
        "ap_scan=0",
        "network={",
        "key_mgmt=IEEE8021X",
        "eapol_flags=0",
        f"identity={_hex(credential['identity'])}",
    ]
    files = {"ca.pem": str(credential["ca_pem"])}
    lines.append(f'ca_cert="{folder}/ca.pem"')
    if credential["eap"] == "tls":
        files |= {"own.pem": str(credential["certificate_pem"]), "own.key": str(credential["key_pem"])}
        lines += ["eap=TLS", f'client_cert="{folder}/own.pem"', f'private_key="{folder}/own.key"']
    else:
        lines += ["eap=PEAP", 'phase2="auth=MSCHAPV2"', f"password={_hex(credential['password'])}"]
    return files | {"supplicant.conf": "\n".join([*lines, "}"]) + "\n"}


def _hex(text: Any) -> str:
    return str(text).encode().hex()


class Supplicant:
    """wpa_supplicant on one link, with one credential."""

    def __init__(self, link: str, credential: Mapping[str, Any]) -> None:
        self._link, folder = link, HOME / link
        for name, text in render_supplicant(credential, folder).items():
            write_private(folder / name, text)
        argv = ("wpa_supplicant", "-D", "wired", "-i", link, "-c", f"{folder}/supplicant.conf")
        self._listening, self._changed = threading.Event(), threading.Condition()
        self._outcome: Outcome = "unasked"
        self._keeper = Keeper(Daemon(f"supplicant {link}", argv, on_line=self._take))

    def start(self) -> None:
        """Start it and wait until it listens. Raises: DaemonError."""
        self._keeper.start()
        self._keeper.wait_ready(self._listening.is_set, READY_S)

    def stop(self) -> None:
        """End it, without a word to the port."""
        self._keeper.stop()

    def authenticate(self, timeout_s: float) -> Outcome:
        """Ask to be asked, again each second while nobody asks, and return what came of it by then."""
        deadline = time.monotonic() + timeout_s
        with self._changed:
            self._outcome = "unasked"
        while True:
            left_s = deadline - time.monotonic()
            with self._changed:
                if self._outcome in ("accepted", "refused") or left_s <= 0:
                    return self._outcome
                unasked = self._outcome == "unasked"
            if unasked:
                send_start(self._link)
            with self._changed:
                self._changed.wait_for(lambda: self._outcome in ("accepted", "refused"), min(START_EVERY_S, left_s))

    def _take(self, line: str) -> None:
        if "Associated with" in line:
            self._listening.set()
        outcome = next((outcome for sign, outcome in _SIGNS if sign in line), None)
        if outcome is not None:
            with self._changed:
                self._outcome = outcome
                self._changed.notify_all()


def send_start(link: str) -> None:
    """Send an EAPOL-Start over a link. One that cannot be sent is as good as lost."""
    with suppress(OSError), socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0) as sending:
        sending.bind((link, eapol.ETHERTYPE))
        sending.send(eapol.build_start(sending.getsockname()[4]))
