"""Which uplink the device uses: order, health, failover. Layer: firmware, I/O; `Choice` is pure.

Every uplink that stands has a default route of its own; its metric is its place in the order, so a health check bound
to the interface (SO_BINDTODEVICE, by ``ping -I``) finds its way over that uplink and no other. One that fails its
health check keeps its route at a worse metric, so that it can be found well again. The kernel's VRF is not needed.

Law: `on_change` is called outside of all locks, in order, only when what the device uses has changed.
Not here: the uplinks themselves (cellular.py, dhcp_client.py).
"""

from __future__ import annotations

import os
import queue
import subprocess
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from emulators.common.service import Console, log
from emulators.common.supervise import DaemonError, run

from .cellular import Cellular
from .dhcp_client import Ethernet
from .uplink_state import UplinkState

__all__ = ["Choice", "UplinkManager", "UplinkState"]

METRIC_STEP, METRIC_SICK = 10, 1000
RECOVERIES = 2  # answers in a row that make a sick uplink well again; common practice
PING_WAIT_S = 1


class HealthCheck(Protocol):
    """As device_config.Health has it."""

    @property
    def target(self) -> str: ...
    @property
    def interval_s(self) -> float: ...
    @property
    def failures(self) -> int: ...


@dataclass(slots=True)
class Choice:
    """Pure: the uplinks that stand, their health, and so the one to use."""

    order: tuple[str, ...]
    states: dict[str, UplinkState] = field(default_factory=dict)
    misses: dict[str, int] = field(default_factory=dict)
    answers: dict[str, int] = field(default_factory=dict)
    sick: set[str] = field(default_factory=set)

    def set_state(self, kind: str, state: UplinkState | None) -> None:
        """An uplink came (or came anew) or went. A new one counts as well."""
        self.states.pop(kind, None)
        self.sick.discard(kind)
        self.misses[kind] = self.answers[kind] = 0
        if state is not None:
            self.states[kind] = state

    def take_answer(self, kind: str, *, answered: bool, failures: int) -> bool:
        """Count one health check. Returns whether the uplink's health changed."""
        if kind not in self.states:
            return False
        self.misses[kind] = 0 if answered else self.misses[kind] + 1
        self.answers[kind] = self.answers[kind] + 1 if answered else 0
        was_sick = kind in self.sick
        if not was_sick and self.misses[kind] >= failures:
            self.sick.add(kind)
        elif was_sick and self.answers[kind] >= RECOVERIES:
            self.sick.discard(kind)
        return was_sick != (kind in self.sick)

    def metric(self, kind: str) -> int:
        """Return the metric of an uplink's default route: its place, sick ones behind all well ones."""
        return (self.order.index(kind) + 1) * METRIC_STEP + (METRIC_SICK if kind in self.sick else 0)

    def current(self) -> UplinkState | None:
        """Return the uplink to use: the first well one, else the first that stands at all."""
        standing = [kind for kind in self.order if kind in self.states]
        return self.states[min(standing, key=self.metric)] if standing else None


class UplinkManager:
    """Runs the uplinks of the order and keeps the default routes. See DEVELOPERS.md for `first_boot` and the rest."""

    def __init__(
        self,
        first_boot: dict[str, Any],
        hardware: dict[str, Any],
        waits: dict[str, Any],
        console: Console,
        on_change: Callable[[UplinkState | None], None],
    ) -> None:
        kinds = [k for k in first_boot.get("uplinks", ["cellular"]) if k != "ethernet" or hardware.get("ethernet_wan")]
        self._choice = Choice(tuple(kinds))
        self._console, self._on_change = console, on_change
        self._changed = threading.Condition()
        self._told: UplinkState | None = None
        self._news: queue.Queue[UplinkState | None] = queue.Queue()
        self._health: HealthCheck | None = None
        self._stopping = threading.Event()
        self._metrics: dict[str, int] = {}
        self._parts: list[Cellular | Ethernet] = []
        if "cellular" in kinds:
            self._parts.append(Cellular(first_boot, hardware, waits, console, self._on_state))
        if "ethernet" in kinds:
            self._parts.append(Ethernet(self._on_state))

    def start(self) -> None:
        """Start all uplinks and the health check, in threads."""
        for part in self._parts:
            part.start()
        threading.Thread(target=self._tell, name="uplink-news", daemon=True).start()
        threading.Thread(target=self._check_health, name="uplink-health", daemon=True).start()

    def stop(self) -> None:
        self._stopping.set()
        for part in self._parts:
            part.stop()

    def current(self) -> UplinkState | None:
        """Return the uplink in use."""
        with self._changed:
            return self._choice.current()

    def wait_up(self, timeout_s: float) -> UplinkState:
        """Block until there is an uplink. Raises: TimeoutError."""
        with self._changed:
            self._changed.wait_for(lambda: self._choice.current() is not None, timeout_s)
            state = self._choice.current()
        if state is None:
            raise TimeoutError(f"no uplink within {timeout_s:g} s")
        return state

    def set_health(self, health: HealthCheck | None) -> None:
        """Judge health by this from now on; None stops judging (all that stand are well)."""
        with self._changed:
            self._health = health
            if health is None:
                self._choice.sick.clear()
                self._settle()

    def set_order(self, order: Sequence[str]) -> None:
        """Prefer the uplinks in this order. Those that it does not name come last; unknown ones are left out."""
        with self._changed:
            known = self._choice.order
            named = [k for k in order if k in known]
            self._choice.order = (*named, *(k for k in known if k not in named))
            self._settle()

    # ------------------------------------------------------------ news from the uplinks

    def _on_state(self, kind: str, state: UplinkState | None, reason: str) -> None:
        with self._changed:
            before = self._choice.states.get(kind)
            if before == state:  # a renewal, or a loss of what was not there
                return
            self._choice.set_state(kind, state)
            if before is not None:
                self._console.emit("uplink.down", uplink=kind, reason=reason or "address changed")
                self._metrics.pop(kind, None)
            self._settle()
            if state is not None:
                facts = {"address": state.address, "mtu": state.mtu, "name_servers": list(state.name_servers)}
                self._console.emit("uplink.up", uplink=kind, **facts)

    def _settle(self) -> None:
        """Set the routes, and pass on the news. Called with the lock held."""
        for kind, state in self._choice.states.items():
            self._set_route(kind, state)
        current = self._choice.current()
        if current != self._told:
            self._told = current
            self._news.put(current)
        self._changed.notify_all()

    def _set_route(self, kind: str, state: UplinkState) -> None:
        metric = self._choice.metric(kind)
        before = self._metrics.get(kind)
        if before == metric:
            return
        way = ["via", state.gateway] if state.gateway else []
        route = ["default", *way, "dev", state.interface]
        try:
            run(["ip", "route", "replace", *route, "metric", str(metric)])
            if before is not None:
                run(["ip", "route", "del", *route, "metric", str(before)])
            self._metrics[kind] = metric
        except DaemonError as error:
            log(f"uplinks: {error}")

    def _tell(self) -> None:
        while not self._stopping.is_set():
            try:
                self._on_change(self._news.get(timeout=1.0))
            except queue.Empty:
                continue
            except Exception as error:  # a listener's failure must not end the news
                log(f"uplinks: listener: {type(error).__name__}: {error}")

    # ------------------------------------------------------------ health

    def _check_health(self) -> None:
        while True:
            health = self._health
            if self._stopping.wait(health.interval_s if health else 1.0):
                return
            health = self._health
            if health is None:
                continue
            with self._changed:
                states = dict(self._choice.states)
            for kind, state in states.items():
                answered = ping(state.interface, health.target)
                with self._changed:
                    if self._choice.take_answer(kind, answered=answered, failures=health.failures):
                        log(f"uplinks: {kind} is {'sick' if kind in self._choice.sick else 'well'}")
                        self._settle()


def ping(interface: str, target: str) -> bool:
    """Say whether `target` answers one ICMP echo sent by way of `interface`.

    Without the preload of the device's clock: kernel time stamps do not follow it.
    """
    command = ["ping", "-n", "-q", "-c", "1", "-W", str(PING_WAIT_S), "-I", interface, target]
    environment = {k: v for k, v in os.environ.items() if k != "LD_PRELOAD"}
    return subprocess.run(command, capture_output=True, env=environment, check=False).returncode == 0
