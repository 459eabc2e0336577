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
from ipaddress import IPv4Interface
from pathlib import Path
from typing import Any

from emulators.common.control import ask_loader
from emulators.common.device_config import DeviceConfig, digest_config, parse_config
from emulators.common.service import Console, log

from .bootstrap_effects import Failure, Server
from .bootstrap_http import HttpClient
from .bootstrap_machine import Device
from .bootstrap_shell import BootstrapShell, load_flag
from .clock import ClockError, measure_offset, step_clock
from .lights import Lights, find_light
from .names import ResolveError, resolve
from .portal import PortalWatch
from .uplinks import UplinkManager, UplinkState

FLASH = Path("/flash")
IDENTITY_FILE = Path("/run/identity.pem")
UPLINK_WAIT_S = 60.0
CLOCK_PAUSES_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)  # common practice: doubling, capped
UNFIT_PAUSES_S = (900.0, 3600.0, 21600.0)
"""Before a document that was of no use is tried again. Our choice: each try may cost a branch the minute in which it is
not confirmed."""


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
    """The Applier with the uplink of the moment bound, and the uplinks told of what a configuration says of them.

    Remembers, until power goes, which documents it refused or rolled back: a branch in service is not cut over and over
    by what cut it before, and takes the next document all the same. After a long while such a document is tried again:
    it may have been management's own trouble.
    """

    def __init__(self, applier: Any, manager: UplinkManager) -> None:
        self._applier, self._manager = applier, manager
        self._unfit: dict[str, tuple[int, float]] = {}
        """Digest to how often it was tried in vain, and when it may be tried again."""

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
        try:
            self._applier.apply(document, self._manager.choose_beside(read_networks(document)))
        except Exception:  # whatever failed: the document is put aside, and the error goes on
            self._put_aside(digest_config(document))
            raise
        finally:
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
        if self.digest is not None:
            self._put_aside(self.digest)
        try:
            self._applier.roll_back(reason)
        finally:
            self._adopt()

    def is_news(self, digest: str) -> bool:
        """Say whether a document is another than the one that runs, and worth a try."""
        _, again_s = self._unfit.get(digest, (0, 0.0))
        return digest != self.digest and time.monotonic() >= again_s

    def _put_aside(self, digest: str) -> None:
        tries, _ = self._unfit.get(digest, (0, 0.0))
        pause_s = UNFIT_PAUSES_S[min(tries, len(UNFIT_PAUSES_S) - 1)]
        self._unfit[digest] = (tries + 1, time.monotonic() + pause_s)

    def _adopt(self) -> None:
        config = self.config
        if config is not None:
            self._manager.set_order(config.uplinks.order)
        self._manager.set_health(config.uplinks.health if config is not None else None)
        self._manager.set_inside(find_networks(config) if config is not None else ())


def read_networks(document: bytes) -> tuple[str, ...]:
    """Return the networks of a document's segments; none where it cannot be read: the applier says why."""
    try:
        return find_networks(parse_config(document))
    except ValueError:
        return ()


def find_networks(config: DeviceConfig) -> tuple[str, ...]:
    """Return the networks of the branch's own segments."""
    return tuple(str(IPv4Interface(segment.address).network) for segment in config.segments)


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
        self._client = HttpClient(
            IDENTITY_FILE, self._name_servers, renew=self._save_identity, on_retry=self._tell_retry
        )
        hardware, waits = self._board["hardware"], self._board["waits"]
        self._manager = UplinkManager(self._first_boot, hardware, waits, console, self._on_uplink)
        if self._first_boot["bootstrap"]:
            host = self._first_boot["bootstrap"][0]["address"]
            console.listeners.append(PortalWatch(console, host, self._name_servers).on_event)
        self._applier: Any = None
        self._reporter: Any = None
        self._configurer: Configurer | None = None
        if "configuration" in self._status["features"]:
            self._applier = importlib.import_module(".apply", __package__).Applier(console, FLASH)
            self._configurer = Configurer(self._applier, self._manager)

    def run(self) -> None:
        """Never returns while the device has power."""
        flag = load_flag(FLASH)
        self._manager.start(measures=flag is not None)  # a tunnel must know the size; asking for the time need not
        uplink = self._wait_uplink()
        restored = flag is not None and self._restore(uplink)
        self._set_clock()
        self._manager.measure_paths()
        trust = self._device["trust"]["bootstrap_ca_pem"]
        servers = tuple(Server(s["address"], s["port"], trust) for s in self._first_boot["bootstrap"])
        self._report_alerts(servers)
        if restored:
            ask_loader("confirm")
        else:
            self._bootstrap(servers, self._status["trial"])
        while True:
            self._beat(servers)
            self._bootstrap(servers, trial=False, most_rounds=1)  # in vain: what runs goes on running, and is heard

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

    def _bootstrap(self, servers: tuple[Server, ...], trial: bool, most_rounds: int | None = None) -> None:
        hardware, status = self._board["hardware"], self._status
        device = Device(hardware["name"], status["os_name"], status["release"], trial)
        shell = BootstrapShell(self._console, self._client, FLASH, hardware["slot_bytes"], self._configurer)
        shell.run(device, servers, most_rounds)

    def _tell_retry(self, server: Server, failure: Failure) -> None:
        self._console.emit("bootstrap.progressed", step="retried", detail=f"{server}: {failure}")

    def _save_identity(self) -> None:
        """Write the identity as TLS takes it: the leaf, then every intermediate (RFC 8572 §5.3), then the key."""
        identity = json.loads((FLASH / "device.json").read_text())["identity"]
        fresh = IDENTITY_FILE.with_suffix(f".{threading.get_ident()}")
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w") as file:
            file.write("\n".join((identity["certificate_pem"], identity["chain_pem"], identity["key_pem"])))
        fresh.replace(IDENTITY_FILE)

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
                address = None
                try:
                    for address in resolve(name, self._name_servers()):
                        offset_s = measure_offset(address)
                        step_clock(offset_s)
                        self._console.emit("clock.set", server=name, offset_s=offset_s)
                        return
                except (ResolveError, ClockError) as error:
                    self._console.emit("clock.failed", server=name, address=address, reason=str(error))
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
        return self._configurer is not None and self._configurer.is_news(digest)


def main() -> None:
    """Run the runtime."""
    console = LitConsole("router", "runtime")
    console.start()
    Router(console).run()


if __name__ == "__main__":
    main()
