"""The modem as a process: AT port on a pty, signalling and GTP-U on the radio link, ``wwan0``. Layer: hardware, main.

Started by the loader, once per power-on. Settings are JSON in the environment variable MODEM_SETTINGS, or in
/run/modem/settings.json: ``{"node", "sims", "hardware", "waits", "radio": {"carrier", "own"}}``. The AT port is a
symbolic link at /run/modem/at. Cards keep their tries in /run/modem/cards.json, as a real card does, for as long as the
container lives. ``wwan0`` carries raw IP; its address is the firmware's business.

Not here: what a line or a message means (machine.py), packet loop (emulators/common/gtp_link.py).
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import socket
import time
import tty
from pathlib import Path
from typing import Any

from emulators.common import radio
from emulators.common.gtp_link import Bearer, GtpLink, open_tun
from emulators.common.identifiers import build_imei
from emulators.common.service import Console, log
from emulators.common.shaper import Shape, build_shape
from emulators.router.modem import nas
from emulators.router.modem.card import Card
from emulators.router.modem.machine import Modem, Note, Output, Write

RUN_DIR = Path(os.environ.get("MODEM_DIR", "/run/modem"))
INTERFACE = "wwan0"
IDLE_S = 1.0


def load_settings() -> dict[str, Any]:
    """Return the settings. Raises: ValueError, OSError."""
    text = os.environ.get("MODEM_SETTINGS") or (RUN_DIR / "settings.json").read_text()
    settings = json.loads(text)
    if not isinstance(settings, dict) or "sims" not in settings:
        raise ValueError("modem settings: expected an object with sims, hardware, waits, radio")
    return settings


def build_cards(sims: list[dict[str, Any]], kept: dict[str, Any]) -> tuple[tuple[int, Card], ...]:
    """Return the cards by slot, with the tries (and the PIN) that each has kept, by ICCID."""
    cards = []
    for sim in sims:
        card = Card(sim["iccid"], sim["imsi"], sim["pin"], sim["puk"])
        for name, value in kept.get(card.iccid, {}).items():
            setattr(card, name, value)
        cards.append((int(sim["slot"]), card))
    return tuple(cards)


def to_shape(shape: radio.UplinkShape) -> Shape:
    return build_shape(shape.rate_bps, shape.delay_ms, shape.jitter_ms, shape.loss_pct)


class ModemProcess:
    """Carries out the machine's outputs."""

    def __init__(self, settings: dict[str, Any]) -> None:
        self._console = Console(settings.get("node", "router"), "modem")
        link = {"carrier": "198.18.255.1", "own": "198.18.255.2"} | settings.get("radio", {})
        self._carrier = (link["carrier"], radio.SIGNALLING_PORT)
        self._cards_file = RUN_DIR / "cards.json"
        kept = json.loads(self._cards_file.read_text()) if self._cards_file.exists() else {}
        hardware, waits = settings.get("hardware", {}), settings.get("waits", {})
        self._modem = Modem(
            build_cards(settings["sims"], kept),
            int(hardware.get("sim_slots", 1)),
            build_imei(1),
            float(waits.get("modem_registration_s", 0.0)),
        )
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self._socket.bind((link["own"], radio.SIGNALLING_PORT))
        self._link = GtpLink(open_tun(INTERFACE), link["own"], device=True)
        self._bearer: Bearer | None = None
        (RUN_DIR / "at").unlink(missing_ok=True)  # of a modem before this one
        self._port, self._slave = pty.openpty()  # the slave end stays open here, so that no reader's leaving hangs up
        tty.setraw(self._slave)
        os.set_blocking(self._port, False)

    def run(self) -> None:
        """Serve until killed."""
        self._link.start("gtp-u")
        self._carry_out(self._modem.power_on(time.monotonic()))
        self._publish_port()
        signalling = self._socket.fileno()
        while True:
            wake_at = self._modem.wake_at()
            now_s = time.monotonic()
            timeout_s = IDLE_S if wake_at is None else max(0.0, min(IDLE_S, wake_at - now_s))
            readable, _, _ = select.select([self._port, signalling], [], [], timeout_s)
            now_s = time.monotonic()
            if self._port in readable:
                with contextlib.suppress(BlockingIOError):
                    self._carry_out(self._modem.on_input(os.read(self._port, 4096), now_s))
            if signalling in readable:
                self._take_datagram(now_s)
            self._carry_out(self._modem.on_time(now_s))

    def _publish_port(self) -> None:
        RUN_DIR.mkdir(parents=True, exist_ok=True)
        fresh = RUN_DIR / "at.new"
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(RUN_DIR / "at")

    def _take_datagram(self, now_s: float) -> None:
        try:
            datagram, peer = self._socket.recvfrom(radio.MAX_DATAGRAM_BYTES)
            if peer == self._carrier:
                self._carry_out(self._modem.on_message(radio.parse(datagram), now_s))
        except (BlockingIOError, ConnectionRefusedError):
            pass
        except radio.RadioError as error:
            log(f"modem: {error}")

    def _carry_out(self, outputs: list[Output]) -> None:
        for output in outputs:
            match output:
                case Write(data):
                    self._write(data)
                case Note(kind, line):
                    self._console.emit(kind, line=line)
                    self._keep_cards()
                case nas.Send(message):
                    with contextlib.suppress(OSError):  # no carrier yet: the procedures repeat themselves
                        self._socket.sendto(radio.render(message), self._carrier)
                case nas.PdnUp() | nas.PdnDown():
                    self._set_bearer()
                case nas.ShapeChanged():
                    if self._bearer and self._modem.bearer:
                        self._bearer.reshape(to_shape(self._modem.bearer.shape))

    def _write(self, data: bytes) -> None:
        try:
            os.write(self._port, data)
        except BlockingIOError:
            log("modem: nobody reads the AT port; output lost")

    def _set_bearer(self) -> None:
        grant = self._modem.bearer
        self._bearer = None
        if grant is not None:
            teids, shape = (grant.downlink_teid, grant.uplink_teid), to_shape(grant.shape)
            self._bearer = Bearer(teids, self._carrier[0], grant.address, grant.mtu, shape)
        self._link.set_bearers((self._bearer,) if self._bearer else ())

    def _keep_cards(self) -> None:
        kept = {
            card.iccid: {"pin": card.pin, "pin_tries": card.pin_tries, "puk_tries": card.puk_tries}
            for card in self._modem.state.cards.values()
        }
        text = json.dumps(kept)
        if getattr(self, "_kept", None) != text:
            self._kept = text
            RUN_DIR.mkdir(parents=True, exist_ok=True)
            self._cards_file.write_text(text)


def main() -> None:
    """Run the modem."""
    ModemProcess(load_settings()).run()


if __name__ == "__main__":
    main()
