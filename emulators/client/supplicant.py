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
STALLED_S = 2.5
"""How long a conversation may stand still before it is begun anew: longer than a mobile uplink keeps a RADIUS server's
answer. Two beginnings at once, the port's and the device's own, can leave each waiting for the other."""
READY_S = 3.0
Outcome = Literal["accepted", "refused", "undecided", "unasked"]
"""What came of a conversation; ``undecided``: it began and had no end yet; ``unasked``: the port asks nothing."""
_SIGNS: tuple[tuple[str, Outcome], ...] = (
    ("CTRL-EVENT-EAP-SUCCESS", "accepted"),
    ("CTRL-EVENT-EAP-FAILURE", "refused"),
    ("CTRL-EVENT-EAP-STARTED", "undecided"),
)
_PROGRESS = "CTRL-EVENT-EAP-"


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
        self._news_s = -STALLED_S
        self._keeper = Keeper(Daemon(f"supplicant {link}", argv, on_line=self._take))

    def start(self) -> None:
        """Start it and wait until it listens. Raises: DaemonError."""
        self._keeper.start()
        self._keeper.wait_ready(self._listening.is_set, READY_S)

    def stop(self) -> None:
        """End it, without a word to the port."""
        self._keeper.stop()

    def authenticate(self, timeout_s: float) -> Outcome:
        """Ask to be asked, again while nobody asks or nothing goes on, and return what came of it by then."""
        deadline = time.monotonic() + timeout_s
        with self._changed:
            is_under_way = self._outcome == "undecided" and time.monotonic() - self._news_s < STALLED_S
            self._outcome = "undecided" if is_under_way else "unasked"
        while True:
            now_s = time.monotonic()
            with self._changed:
                if self._outcome in ("accepted", "refused") or now_s >= deadline:
                    return self._outcome
                is_idle = self._outcome == "unasked" or now_s - self._news_s >= STALLED_S
            if is_idle:
                send_start(self._link)
            with self._changed:
                pause_s = min(START_EVERY_S, deadline - now_s)
                self._changed.wait_for(lambda: self._outcome in ("accepted", "refused"), pause_s)

    def _take(self, line: str) -> None:
        if "Associated with" in line:
            self._listening.set()
        if _PROGRESS in line:
            self._news_s = time.monotonic()
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
