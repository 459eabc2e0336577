"""The runtime of the router: attach, set the clock, check in; then heartbeats. Layer: runtime, thin main.

The same module starts both releases. The factory release has no ``apply`` and no ``heartbeat``, and finds that out by
its own manifest's features. A device that completed bootstrap once restores its last good configuration and does not
bootstrap again (RFC 8572 §5.1); where that fails, or where management has another configuration for it, it does.

Not here: uplinks (uplinks.py), bootstrap (bootstrap_*.py), configuration (apply/).
"""

from __future__ import annotations

import importlib
import json
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from emulators.common.control import ask_loader
from emulators.common.device_config import DeviceConfig
from emulators.common.service import Console, log

from .bootstrap_effects import Server
from .bootstrap_http import HttpClient
from .bootstrap_machine import Device
from .bootstrap_shell import BootstrapShell, load_flag
from .clock import ClockError, measure_offset, step_clock
from .lights import Lights, find_light
from .names import ResolveError, resolve
from .uplinks import UplinkManager, UplinkState

FLASH = Path("/flash")
IDENTITY_FILE = Path("/run/identity.pem")
UPLINK_WAIT_S = 60.0
CLOCK_PAUSES_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)  # common practice: doubling, capped


class LitConsole(Console):
    """A console whose events also drive the lights, and whoever listens."""

    def __init__(self, node: str, part: str) -> None:
        super().__init__(node, part)
        self._lights = Lights()
        self.listeners: list[Callable[[str, dict[str, Any]], None]] = []

    def emit(self, kind: str, /, **data: Any) -> None:
        super().emit(kind, **data)
        for listen in self.listeners:
            listen(kind, data)
        found = find_light(kind, data)
        if found and self._lights.set(*found):
            super().emit("light.changed", light=found[0], state=found[1])

    def start(self) -> None:
        self._lights.set("power", "on")
        super().emit("light.changed", light="power", state="on")


class Configurer:
    """The Applier with the uplink of the moment bound, and the uplinks told of what a configuration says of them."""

    def __init__(self, applier: Any, manager: UplinkManager) -> None:
        self._applier, self._manager = applier, manager

    @property
    def config(self) -> DeviceConfig | None:
        config: DeviceConfig | None = self._applier.config
        return config

    @property
    def digest(self) -> str | None:
        """Digest of the document that runs."""
        digest: str | None = self._applier.digest
        return digest

    def apply(self, document: bytes) -> None:
        self._applier.apply(document, self._manager.current())
        self._adopt()

    def restore(self, uplink: UplinkState) -> bool:
        """Bring back the last good configuration. Returns whether there was one."""
        if not self._applier.restore(uplink):
            return False
        self._adopt()
        return True

    def confirm(self) -> None:
        self._applier.confirm()

    def roll_back(self, reason: str) -> None:
        self._applier.roll_back(reason)
        self._adopt()

    def _adopt(self) -> None:
        config = self.config
        if config is not None:
            self._manager.set_order(config.uplinks.order)
        self._manager.set_health(config.uplinks.health if config is not None else None)


class Router:
    """One power-on period of the runtime."""

    def __init__(self, console: LitConsole) -> None:
        self._console = console
        self._device = json.loads((FLASH / "device.json").read_text())
        self._board = json.loads((FLASH / "board.json").read_text())["settings"]
        self._status = ask_loader("status")
        self._first_boot = self._device["first_boot"]
        self._uplink: UplinkState | None = None
        self._save_identity()
        self._client = HttpClient(IDENTITY_FILE, self._name_servers)
        hardware, waits = self._board["hardware"], self._board["waits"]
        self._manager = UplinkManager(self._first_boot, hardware, waits, console, self._on_uplink)
        self._applier: Any = None
        self._reporter: Any = None
        self._configurer: Configurer | None = None
        if "configuration" in self._status["features"]:
            self._applier = importlib.import_module(".apply", __package__).Applier(console, FLASH)
            self._configurer = Configurer(self._applier, self._manager)

    def run(self) -> None:
        """Never returns while the device has power."""
        self._manager.start()
        uplink = self._wait_uplink()
        flag = load_flag(FLASH)
        restored = flag is not None and self._restore(uplink)
        self._set_clock()
        trust = self._device["trust"]["bootstrap_ca_pem"]
        servers = tuple(Server(s["address"], s["port"], trust) for s in self._first_boot["bootstrap"])
        self._report_alerts(servers)
        if restored:
            ask_loader("confirm")
        else:
            self._bootstrap(servers, self._status["trial"])
        while True:
            self._beat(servers)
            self._bootstrap(servers, trial=False)

    def _report_alerts(self, servers: tuple[Server, ...]) -> None:
        configurer = self._configurer
        if configurer is None:
            return
        module = importlib.import_module(".alert_reporter", __package__)
        client = HttpClient(IDENTITY_FILE, self._name_servers, module.TIMEOUT_S)
        self._reporter = module.AlertReporter(client, lambda: configurer.config, servers)
        self._reporter.on_uplink(self._uplink.kind if self._uplink else None)
        self._console.listeners.append(self._reporter.on_event)
        self._reporter.start()

    def _bootstrap(self, servers: tuple[Server, ...], trial: bool) -> None:
        hardware, status = self._board["hardware"], self._status
        device = Device(hardware["name"], status["os_name"], status["release"], trial)
        shell = BootstrapShell(self._console, self._client, FLASH, hardware["slot_bytes"], self._configurer)
        shell.run(device, servers)

    def _save_identity(self) -> None:
        identity = self._device["identity"]
        descriptor = os.open(IDENTITY_FILE, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(
            descriptor, "w"
        ) as file:  # the leaf first, then every intermediate (RFC 8572 §5.3), then the key
            file.write("\n".join((identity["certificate_pem"], identity["chain_pem"], identity["key_pem"])))

    def _on_uplink(self, state: UplinkState | None) -> None:
        self._uplink = state
        self._client.drop()
        if self._applier is not None:
            self._applier.on_uplink(state)
        if self._reporter is not None:
            self._reporter.on_uplink(state.kind if state else None)

    def _name_servers(self) -> tuple[str, ...]:
        own = tuple(self._first_boot["name_servers"])
        state = self._manager.current()
        return own or (state.name_servers if state else ())

    def _wait_uplink(self) -> UplinkState:
        while True:
            try:
                return self._manager.wait_up(UPLINK_WAIT_S)
            except TimeoutError:
                log(f"no uplink for {UPLINK_WAIT_S:g} s; still trying")

    def _restore(self, uplink: UplinkState) -> bool:
        if self._configurer is None:
            return False
        try:
            return self._configurer.restore(uplink)
        except Exception as error:  # whatever is wrong with it: the device bootstraps anew
            self._console.emit("bootstrap.progressed", step="restore.failed", detail=f"{type(error).__name__}: {error}")
            return False

    def _set_clock(self) -> None:
        """Set the clock from the first time server that answers; keep trying until one does."""
        tries = 0
        while True:
            for name in self._first_boot["time_servers"]:
                try:
                    for address in resolve(name, self._name_servers()):
                        offset_s = measure_offset(address)
                        step_clock(offset_s)
                        self._console.emit("clock.set", server=name, offset_s=offset_s)
                        return
                except (ResolveError, ClockError) as error:
                    log(f"clock: {error}")
            time.sleep(CLOCK_PAUSES_S[min(tries, len(CLOCK_PAUSES_S) - 1)])
            tries += 1

    def _beat(self, servers: tuple[Server, ...]) -> None:
        """Keep in touch until the server has another configuration than the one that runs."""
        stop = threading.Event()
        config = self._configurer.config if self._configurer else None
        if config is None:
            stop.wait()  # bootstrap served no configuration: nothing says where heartbeats go
            return
        heartbeat = importlib.import_module(".heartbeat", __package__)
        to = heartbeat.build_servers(config.management.servers, servers)
        heartbeat.run_heartbeats(
            self._console, self._client, to, config.management.heartbeat_s, stop=stop, is_news=self._is_news
        )

    def _is_news(self, digest: str) -> bool:
        return self._configurer is not None and digest != self._configurer.digest


def main() -> None:
    """Run the runtime."""
    console = LitConsole("router", "runtime")
    console.start()
    Router(console).run()


if __name__ == "__main__":
    main()
