"""The modem as a process: AT ports on ptys, signalling and GTP-U on the radio link, ``wwan0``. Layer: hardware, main.

Started by the loader, once per power-on. Settings are JSON in the environment variable MODEM_SETTINGS, or in
/run/modem/settings.json: ``{"node", "sims", "hardware", "waits", "radio": {"carrier", "own"}}``. The AT port is a
symbolic link at /run/modem/at; a second port, for whoever looks in, is at /run/modem/at2. Cards keep their tries beside
the flash, as a real card does: no power cut reaches them. What the bench does to cards, antennas and modem comes as
facts of emulators/router/hardware, looked at again and again. ``wwan0`` carries raw IP; its address is the firmware's
business.

Not here: what a line or a message means (machine.py), packet loop (emulators/common/gtp_link.py).
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import socket
import threading
import time
import tty
from pathlib import Path
from typing import Any

from emulators.common import radio
from emulators.common.gtp_link import Bearer, GtpLink, open_tun
from emulators.common.identifiers import build_imei
from emulators.common.service import Console, log
from emulators.common.shaper import Shape, build_shape
from emulators.router.hardware.facts import NAME as FACTS_FILE
from emulators.router.hardware.facts import Hardware
from emulators.router.modem import nas
from emulators.router.modem.card import build_cards, load_kept, save_kept
from emulators.router.modem.machine import FIRST, SECOND, Modem, Note, Output, Write
from emulators.router.modem.tray import Tray

RUN_DIR = Path(os.environ.get("MODEM_DIR", "/run/modem"))
PORTS = {FIRST: "at", SECOND: "at2"}
INTERFACE = "wwan0"
FLASH = Path(os.environ.get("MODEM_FLASH", "/flash"))
IDLE_S = 0.5  # also how often the bench's facts are looked at
HANGS = "modem_hangs"


def load_settings() -> dict[str, Any]:
    """Return the settings. Raises: ValueError, OSError."""
    text = os.environ.get("MODEM_SETTINGS") or (RUN_DIR / "settings.json").read_text()
    settings = json.loads(text)
    if not isinstance(settings, dict) or "sims" not in settings:
        raise ValueError("modem settings: expected an object with sims, hardware, waits, radio")
    return settings


def to_shape(shape: radio.UplinkShape) -> Shape:
    return build_shape(shape.rate_bps, shape.delay_ms, shape.jitter_ms, shape.loss_pct, shape.burst_packets)


class ModemProcess:
    """Carries out the machine's outputs."""

    def __init__(self, settings: dict[str, Any]) -> None:
        self._console = Console(settings.get("node", "router"), "modem")
        link = {"carrier": "198.18.255.1", "own": "198.18.255.2"} | settings.get("radio", {})
        self._carrier = (link["carrier"], radio.SIGNALLING_PORT)
        kept = load_kept(FLASH)
        hardware, waits = settings.get("hardware", {}), settings.get("waits", {})
        self._modem = Modem(
            tuple(build_cards(settings["sims"], kept["cards"]).items()),
            int(hardware.get("sim_slots", 1)),
            build_imei(1),
            float(waits.get("modem_registration_s", 0.0)),
        )
        self._tray = Tray(self._modem.state, kept["facts"])
        self._hardware, self._facts_seen, self._kept = Hardware(FLASH), 0, ""
        if HANGS in self._hardware.load():  # a start is what ends it
            self._hardware.set(HANGS, None)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self._socket.bind((link["own"], radio.SIGNALLING_PORT))
        self._link = GtpLink(open_tun(INTERFACE), link["own"], device=True)
        self._bearer: Bearer | None = None
        self._ports: dict[int, int] = {}
        self._slaves: dict[int, int] = {}
        for port, name in PORTS.items():
            (RUN_DIR / name).unlink(missing_ok=True)  # of a modem before this one
            # the slave end stays open here, so that no reader's leaving hangs up
            self._ports[port], self._slaves[port] = pty.openpty()
            tty.setraw(self._slaves[port])
            os.set_blocking(self._ports[port], False)

    def run(self) -> None:
        """Serve until killed."""
        self._follow_facts(time.monotonic())
        self._link.start("gtp-u")
        self._carry_out(self._modem.power_on(time.monotonic()))
        self._publish_ports()
        signalling = self._socket.fileno()
        while True:
            wake_at = self._modem.wake_at()
            now_s = time.monotonic()
            timeout_s = IDLE_S if wake_at is None else max(0.0, min(IDLE_S, wake_at - now_s))
            readable, _, _ = select.select([*self._ports.values(), signalling], [], [], timeout_s)
            now_s = time.monotonic()
            for port, descriptor in self._ports.items():
                if descriptor in readable:
                    with contextlib.suppress(BlockingIOError):
                        self._carry_out(self._modem.on_input(os.read(descriptor, 4096), now_s, port))
            if signalling in readable:
                self._take_datagram(now_s)
            self._follow_facts(now_s)
            self._carry_out(self._modem.on_time(now_s))

    def _follow_facts(self, now_s: float) -> None:
        try:
            changed_ns = (FLASH / FACTS_FILE).stat().st_mtime_ns
        except FileNotFoundError:
            changed_ns = 0
        if changed_ns != self._facts_seen:
            facts, self._facts_seen = self._hardware.load(), changed_ns
            if HANGS in facts:
                self._hang()
            self._tray.follow(facts, now_s)
        self._keep_cards()

    def _hang(self) -> None:
        """Answer nobody any more, and move no packets, until the reset line or the power ends it."""
        self._link.stop()
        threading.Event().wait()

    def _publish_ports(self) -> None:
        RUN_DIR.mkdir(parents=True, exist_ok=True)
        for port, name in PORTS.items():
            fresh = RUN_DIR / f"{name}.new"
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(os.ttyname(self._slaves[port]))
            fresh.replace(RUN_DIR / name)

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
                case Write(data, port):
                    for one in self._ports if port is None else (port,):
                        self._write(data, one)
                case Note(kind, line, port):
                    self._console.emit(kind, line=line, **({} if port == FIRST else {"port": port}))
                    self._keep_cards()
                case nas.Send(message):
                    with contextlib.suppress(OSError):  # no carrier yet: the procedures repeat themselves
                        self._socket.sendto(radio.render(message), self._carrier)
                case nas.PdnUp() | nas.PdnDown():
                    self._set_bearer()
                case nas.ShapeChanged():
                    if self._bearer and self._modem.bearer:
                        self._bearer.reshape(to_shape(self._modem.bearer.shape))

    def _write(self, data: bytes, port: int) -> None:
        try:
            os.write(self._ports[port], data)
        except BlockingIOError:
            if port == FIRST:  # the second one has a reader only now and then
                log("modem: nobody reads the AT port; output lost")

    def _set_bearer(self) -> None:
        grant = self._modem.bearer
        self._bearer = None
        if grant is not None:
            teids, shape = (grant.downlink_teid, grant.uplink_teid), to_shape(grant.shape)
            self._bearer = Bearer(teids, self._carrier[0], grant.address, grant.mtu, shape)
        self._link.set_bearers((self._bearer,) if self._bearer else ())

    def _keep_cards(self) -> None:
        kept = repr((self._tray.cards, self._tray.facts))
        if kept != self._kept:
            self._kept = kept
            save_kept(FLASH, self._tray.cards, self._tray.facts)


def main() -> None:
    """Run the modem."""
    ModemProcess(load_settings()).run()


if __name__ == "__main__":
    main()
