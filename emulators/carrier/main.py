"""The carrier: base station, core and gateway of one cell. Layer: stand-in, thin main.

Verbs besides the standard ones: ``cell {rsrp_dbm, rsrq_db, sinr_db}`` and ``link {down_bps, up_bps, delay_ms,
jitter_ms, loss_pct}`` change the radio conditions at once; ``outage {name, for_s}`` cuts a link. Captured from the
start: ``inet`` (512 octets a packet) and ``radio``: GTP-U headers, never the signalling port (PAP passwords cross
there; see radio.py).
"""

from __future__ import annotations

import contextlib
import importlib
import os
import socket
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from emulators.carrier.gateway import Gateway, GatewaySettings
from emulators.carrier.machine import (
    BearersChanged,
    Carrier,
    CellFigures,
    Emit,
    LinkFigures,
    Output,
    Send,
    Settings,
    ShapeChanged,
    Subscriber,
)
from emulators.carrier.orders import build_orders
from emulators.common import gtpu, radio
from emulators.common.capture import capture_path, start_capture
from emulators.common.impair import Mend, load_impairments
from emulators.common.links import settle_links
from emulators.common.outage import build_outage
from emulators.common.probes_sweep import build_sweep_probes
from emulators.common.record import from_json
from emulators.common.service import Console, Handler, load_seed, log, serve_commands
from emulators.common.verbs import standard_verbs

CARRIER_ADDRESS, MODEM_ADDRESS = "198.18.255.1", "198.18.255.2"  # the bench's radio link, see DEVELOPERS.md
RADIO_SNAPLEN = 128  # headers of GTP-U and of the packet inside
INET_SNAPLEN = 512  # headers, names and handshakes; not whole transfers: the file lies in memory and is fetched whole


def build_settings(settings: dict[str, Any]) -> Settings:
    """Read the core's part of the seed. Raises: RecordError."""
    mtu = settings.get("mtu")
    subscribers = [
        {**s, "apns": [a if mtu is None else {"mtu": mtu, **a} for a in s["apns"]]} for s in settings["subscribers"]
    ]
    return Settings(
        plmn=settings["plmn"],
        pool=settings["pool"],
        gateway=settings["gateway"],
        subscribers=tuple(from_json(Subscriber, s) for s in subscribers),
        cell=from_json(CellFigures, settings["cell"]),
        link=from_json(LinkFigures, settings["link"]),
    )


def _try_snmp(**args: Any) -> dict[str, Any]:
    """The probe ``snmp_tries``; its library takes its time to load, so only where it is asked for."""
    probe: Handler = importlib.import_module("emulators.common.probes_snmp").snmp_tries
    return dict(probe(**args))


class CarrierProcess:
    """Carries out the machine's outputs. A lock keeps the radio thread and the verbs apart."""

    def __init__(self, seed: dict[str, Any], console: Console) -> None:
        settings = seed["settings"]
        self._console, self._lock = console, threading.Lock()
        self._carrier = Carrier(build_settings(settings), os.urandom)
        plane = {name: settings[name] for name in ("pool", "gateway", "nat_address", "dns_upstream")}
        self._gateway = Gateway(GatewaySettings(**plane, own=CARRIER_ADDRESS, device=MODEM_ADDRESS), console)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind((CARRIER_ADDRESS, radio.SIGNALLING_PORT))

    def start(self) -> None:
        self._gateway.start()
        threading.Thread(target=self._serve_radio, name="radio", daemon=True).start()

    def set_cell(self, **figures: Any) -> dict[str, Any]:
        cell = from_json(CellFigures, figures)
        with self._lock:
            self._carry_out(self._carrier.set_cell(cell))
        return figures

    def set_link(self, **figures: Any) -> dict[str, Any]:
        link = from_json(LinkFigures, figures)
        with self._lock:
            self._carry_out(self._carrier.set_link(link))
        return figures

    @property
    def gateway(self) -> Gateway:
        """The user plane, for impairments."""
        return self._gateway

    def order(self, do: Callable[[Carrier], list[Output]]) -> None:
        """Have the core do something, and carry out what comes of it."""
        with self._lock:
            self._carry_out(do(self._carrier))

    def change_link(self, **figures: Any) -> Mend:
        """Change some figures of the link; return what puts the whole back as it was."""
        with self._lock:
            before = self._carrier.link
            self._carry_out(self._carrier.set_link(replace(before, **figures)))

        def take_back() -> None:
            with self._lock:
                self._carry_out(self._carrier.set_link(before))

        return take_back

    def assign(self, address: str) -> Mend:
        """Give every device this address from its next attach on; return what gives back their own,
        and has them ask for it."""
        with self._lock:
            before = self._carrier.assign(address)

        def take_back() -> None:
            with self._lock:
                self._carrier.assign_all(before)
                self._carry_out(self._carrier.ask_to_reactivate())

        return take_back

    def change_subscribers(self, change: Callable[[Subscriber], Subscriber]) -> Mend:
        """Change what is on record for every subscriber; return what takes the change back."""
        with self._lock:
            before = self._carrier.subscribers
            self._carrier.subscribers = {imsi: change(s) for imsi, s in before.items()}

        def take_back() -> None:
            with self._lock:
                self._carrier.subscribers = before

        return take_back

    def change_record(self, subscribers: dict[str, Subscriber]) -> None:
        """Put other subscriptions on record, by IMSI."""
        with self._lock:
            self._carrier.subscribers = subscribers

    def has_bearer(self) -> bool:
        """Say whether a device has a bearer now."""
        with self._lock:
            return self._carrier.grant is not None

    def _serve_radio(self) -> None:
        while True:
            with contextlib.suppress(ConnectionRefusedError):  # ICMP: the modem is not up
                datagram, peer = self._socket.recvfrom(radio.MAX_DATAGRAM_BYTES)
                if peer != (MODEM_ADDRESS, radio.SIGNALLING_PORT):
                    continue
                try:
                    message = radio.parse(datagram)
                except radio.RadioError as error:
                    log(f"carrier: {error}")
                    continue
                with self._lock:
                    self._carry_out(self._carrier.on_message(message))

    def _carry_out(self, outputs: list[Output]) -> None:
        for output in outputs:
            match output:
                case Send(message):
                    with contextlib.suppress(OSError):
                        self._socket.sendto(radio.render(message), (MODEM_ADDRESS, radio.SIGNALLING_PORT))
                case Emit(kind, data):
                    self._console.emit(kind, **data)
                case BearersChanged():
                    self._gateway.follow(self._carrier)
                case ShapeChanged():
                    self._gateway.reshape(self._carrier.link)


def main() -> int:
    """Run the carrier."""
    seed = load_seed()
    console = Console(seed["node"], "core")
    try:
        settle_links(seed)
        process = CarrierProcess(seed, console)
        start_capture("inet", capture_path("inet"), snaplen=INET_SNAPLEN)
        start_capture("radio", capture_path("radio"), f"udp port {gtpu.PORT}", RADIO_SNAPLEN)
        process.start()
        start_capture("gtp0", capture_path("gtp0"), snaplen=INET_SNAPLEN)  # the device's packets before translation
        console.emit("node.ready")
        conditions: dict[str, Handler] = {"cell": process.set_cell, "link": process.set_link}
        conditions |= build_orders(process)
        conditions |= build_outage(seed, console) | load_impairments("emulators.carrier.impairments", process).verbs()
        serve_commands(console, {**standard_verbs(), **build_sweep_probes(), **conditions, "snmp_tries": _try_snmp})
        threading.Event().wait()  # stdin closed (compose by hand): go on until stopped
    except Exception as error:  # whatever it is, the harness must hear of it before this ends
        console.emit("node.failed", error=f"{type(error).__name__}: {error}")
        log(f"carrier failed: {error}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
