"""The cellular uplink: carries out the dialler's effects on the AT port and on ``wwan0``. Layer: firmware, I/O.

Not here: what to say to the modem (dialler.py), routes and the choice between uplinks (uplinks.py).
"""

from __future__ import annotations

import ipaddress
import threading
import time
from collections.abc import Callable
from typing import Any

import serial

from emulators.common.control import ControlError, ask_loader
from emulators.common.service import Console, log
from emulators.common.supervise import DaemonError, run

from .at_client import AT_PORT, AtClient
from .dial_steps import Down, Effect, Report, ResetModem, SendLine, Up
from .dial_text import Grant, parse_plans
from .dialler import Dialler
from .uplink_state import UplinkState

INTERFACE = "wwan0"
DEFAULT_MTU_BYTES = 1358  # TS 23.060 clause 9.3, TS 24.301 clause 6.6.4.2: for a network that does not say
PORT_POLL_S, IDLE_S = 0.1, 1.0
HANG_UP_S = 10.0  # common practice for commands that stay inside the modem, and its detach is one message
CID = 1
MODEM_OFF_S = 5.0  # for the modem's port to go once its reset line is pulled; our choice
QUEUE_PACKETS = 1000  # common practice for Ethernet devices; TUN's own 500 is short for bursts


class ModemResetError(RuntimeError):
    """The modem was reset: whatever was under way with it is over."""


class Cellular:
    """Dials for ever in a thread of its own. `on_state` hears of each address and of its loss (state, reason)."""

    def __init__(
        self,
        first_boot: dict[str, Any],
        hardware: dict[str, Any],
        waits: dict[str, Any],
        console: Console,
        on_state: Callable[[str, UplinkState | None, str], None],
    ) -> None:
        self._plans, self._slots = parse_plans(first_boot), int(hardware.get("sim_slots", 1))
        self._wait_s = float(waits.get("modem_registration_s", 0.0))
        self._console, self._on_state = console, on_state
        self._stopping = threading.Event()
        self._client: AtClient | None = None
        self._over = threading.Event()

    kind = "cellular"

    def start_over(self) -> None:
        """Give up the address and ask for another, in the dialler's own time."""
        self._over.set()

    def start(self) -> None:
        threading.Thread(target=self._run, name="dialler", daemon=True).start()

    def stop(self) -> None:
        self._stopping.set()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._dial()
            except (serial.SerialException, OSError, DaemonError, ControlError, ModemResetError) as error:
                log(f"dialler: {type(error).__name__}: {error}")
                self._on_state("cellular", None, f"{type(error).__name__}")
                self._stopping.wait(IDLE_S)

    def _dial(self) -> None:
        while not AT_PORT.exists():
            if self._stopping.wait(PORT_POLL_S):
                return
        self._client = AtClient()
        dialler = Dialler(self._plans, self._slots, self._wait_s)
        try:
            self._carry_out(dialler.start(time.monotonic()))
            while not self._stopping.is_set():
                wake_at = dialler.wake_at()
                left_s = IDLE_S if wake_at is None else wake_at - time.monotonic()
                line = self._client.read_line(max(0.0, min(IDLE_S, left_s)))
                if line is not None:
                    self._carry_out(dialler.on_line(line, time.monotonic()))
                self._carry_out(dialler.on_time(time.monotonic()))
                if self._over.is_set():
                    self._hang_up(self._client)
                    return
        finally:
            self._client.close()

    def _hang_up(self, client: AtClient) -> None:
        """End the bearer; whoever dials next begins at the beginning. The modem's answer is waited for, so that it is
        not taken for the answer to something else."""
        self._over.clear()
        client.send(f"AT+CGACT=0,{CID}")
        deadline_s = time.monotonic() + HANG_UP_S
        while time.monotonic() < deadline_s:
            line = client.read_line(deadline_s - time.monotonic())
            if line is not None and (line in ("OK", "ERROR") or line.startswith("+CME ERROR")):
                break
        run(["ip", "addr", "flush", "dev", INTERFACE])
        self._on_state("cellular", None, "another address is asked for")

    def _carry_out(self, effects: list[Effect]) -> None:
        for effect in effects:
            match effect:
                case SendLine(text):
                    assert self._client is not None
                    self._client.send(text)
                case Report(kind, data):
                    self._console.emit(kind, **data)
                case Up(grant):
                    self._on_state("cellular", self._set_up(grant), "")
                case Down(reason):
                    run(["ip", "addr", "flush", "dev", INTERFACE])
                    self._on_state("cellular", None, reason)
                case ResetModem(reason):
                    self._reset(reason)

    def _reset(self, reason: str) -> None:
        """Pull the modem's reset line, which the board holds. Raises: ModemResetError, in any case."""
        run(["ip", "addr", "flush", "dev", INTERFACE])
        port = AT_PORT.resolve()
        ask_loader("reset_modem", reason=reason)
        began_s = time.monotonic()
        while AT_PORT.exists() and AT_PORT.resolve() == port and time.monotonic() < began_s + MODEM_OFF_S:
            self._stopping.wait(PORT_POLL_S)
        raise ModemResetError(reason)

    def _set_up(self, grant: Grant) -> UplinkState:
        mtu = grant.mtu or DEFAULT_MTU_BYTES
        run(["ip", "addr", "flush", "dev", INTERFACE])
        run(["ip", "addr", "add", grant.address, "dev", INTERFACE])
        run(["ip", "link", "set", "dev", INTERFACE, "mtu", str(mtu), "txqueuelen", str(QUEUE_PACKETS), "up"])
        address = str(ipaddress.IPv4Interface(grant.address).ip)
        return UplinkState("cellular", INTERFACE, address, None, mtu, grant.name_servers)
