"""One port that asks by IEEE 802.1X: hostapd's words into the bridge's forwarding table. Layer: router firmware, I/O.

The port is locked (bridge(8), ``locked``): a frame of an address that has no entry of its own there goes nowhere. An
entry for each address that is in tells several devices behind one port apart. Those who fail land, where the segment
says so, in another segment: their frames alone are led there before they come to the bridge (parts/admission.py).

One thread a port. Not here: who is in (admission_gate.py), the conversation (hostapd).
"""

from __future__ import annotations

import secrets
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from emulators.common import eapol
from emulators.common.device_config import Radius, Segment
from emulators.common.radius_packet import build_status_request, is_answer
from emulators.common.service import log
from emulators.common.supervise import DaemonError, run

from .admission_gate import Gate, Order
from .base import Emitter
from .hostapd_port import HostapdPort, PortEvent

TABLE: Final = "netdev admission"
LISTEN_S: Final = 0.1
ASK_AT_S: Final = (0.0, 0.5, 1.5, 4.0)
"""When the port asks who is there, after it was opened: a frame may be lost. Common practice, no source."""
TRIES, TRY_S = 3, 0.5
"""How a server is asked whether it is there. Our choice: a mobile uplink answers within this time, and loses some."""


@dataclass(frozen=True, slots=True)
class Server:
    """The RADIUS server, and the address from which it is asked."""

    radius: Radius
    source: str

    def answers(self) -> bool:
        """Ask it whether it is there (Status-Server, RFC 5997)."""
        secret = self.radius.secret.encode()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
            asking.settimeout(TRY_S)
            try:
                asking.bind((self.source, 0))
                asking.connect((self.radius.server, self.radius.port))
                return any(_ask(asking, identifier, secret) for identifier in range(TRIES))
            except OSError:  # no way to it: that is an answer, too
                return False


def _ask(asking: socket.socket, identifier: int, secret: bytes) -> bool:
    request = build_status_request(identifier, secrets.token_bytes(16), secret)
    try:
        asking.send(request)
        return is_answer(asking.recv(4096), request, secret)
    except OSError:
        time.sleep(TRY_S / 2)  # refused at once: the server may just be starting
        return False


class AdmissionPort:
    """Watches one port until it is stopped. `begin` has it ask who is there."""

    def __init__(self, segment: Segment, port: int, server: Server, console: Emitter) -> None:
        self.name = f"lan{port}"
        self._segment, self._port, self._server, self._console = segment, port, server, console
        self._gate = Gate(segment.admission)
        self._lands = segment.admission.refused != "deny"
        self._asks: list[float] = []
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._watch, name=f"admission {self.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """End, and take back every entry."""
        self._stopping.set()
        self._thread.join(TRIES * TRY_S + 2.0)
        for mac in self._gate.inside:
            with suppress(DaemonError):
                run(["bridge", "fdb", "del", mac, "dev", self.name, "master"])

    def begin(self) -> None:
        """Ask whoever is on the port who they are, now and some times more while nobody is in."""
        now_s = time.monotonic()
        self._asks = [now_s + after_s for after_s in ASK_AT_S]

    def _watch(self) -> None:
        while not self._stopping.is_set():
            try:
                control = HostapdPort(self.name)
            except OSError:  # hostapd starts, or starts again
                self._stopping.wait(LISTEN_S)
                continue
            try:
                self._follow(control)
            except OSError as error:
                log(f"admission {self.name}: hostapd is gone: {error}")
            finally:
                control.close()

    def _follow(self, control: HostapdPort) -> None:
        quiet_since = time.monotonic()
        while not self._stopping.is_set():
            event = control.wait_event(LISTEN_S)
            now_s = time.monotonic()
            if event is not None:
                quiet_since = now_s
                self._carry_out(self._take(control, event))
            elif now_s - quiet_since > 1.0:
                quiet_since = now_s
                if not control.is_there():
                    raise ConnectionError("no answer to PING")
            if self._gate.must_look(now_s):
                answers = self._server.answers()
                self._carry_out(self._gate.on_server(answers, time.monotonic()))
            if self._asks and self._asks[0] <= now_s:
                self._asks = self._asks[1:]
                if self._gate.is_idle:
                    self._send(eapol.build_identity_request)

    def _take(self, control: HostapdPort, event: PortEvent) -> tuple[Order, ...]:
        if event.kind == "started":
            return self._gate.on_started(event.mac, time.monotonic())
        if event.kind == "succeeded":
            return self._gate.on_success(event.mac, control.find_eap_type(event.mac))
        return self._gate.on_failure(event.mac) if event.kind == "failed" else self._gate.on_left(event.mac)

    def _carry_out(self, orders: tuple[Order, ...]) -> None:
        for order in orders:
            try:
                self._enact(order)
            except DaemonError as error:
                log(f"admission {self.name}: {order.mac}: {error}")
            facts: dict[str, Any] = {"segment": self._segment.name, "port": self._port, "mac": order.mac}
            if order.what == "let_in":
                self._console.emit("admission.granted", **facts, method=order.why)
            else:
                self._console.emit("admission.refused", **facts, method="dot1x", reason=order.why)

    def _enact(self, order: Order) -> None:
        fdb = ["bridge", "fdb"]
        if order.what == "let_in":
            self._mark(order.mac, lands=False)
            run([*fdb, "replace", order.mac, "dev", self.name, "master", "static"])
            return
        with suppress(DaemonError):  # it was never in
            run([*fdb, "del", order.mac, "dev", self.name, "master"])
        self._mark(order.mac, lands=order.lands)
        if order.what == "put_out":
            mac = bytes.fromhex(order.mac.replace(":", ""))
            self._send(lambda own: eapol.build_identity_request(own, destination=mac))

    def _mark(self, mac: str, *, lands: bool) -> None:
        """Put an address among those who landed elsewhere, or take it out: in one transaction, whatever was before."""
        if not self._lands:
            return
        words = f"element {TABLE} refused_{self.name} {{ {mac} }}"
        run(["nft", "-f", "-"], text=f"add {words}\n" + ("" if lands else f"delete {words}\n"))

    def _send(self, build: Callable[[bytes], bytes]) -> None:
        with suppress(OSError), socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0) as sending:
            sending.bind((self.name, eapol.ETHERTYPE))
            sending.send(build(sending.getsockname()[4]))
