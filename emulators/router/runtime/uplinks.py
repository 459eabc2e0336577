"""Which uplink the device uses: order, health, failover. Layer: firmware, I/O.

Every uplink that stands has a default route of its own; its metric is its place in the order, so a health check bound
to the interface (SO_BINDTODEVICE, by ``ping -I``) finds its way over that uplink and no other. One that fails its
health check keeps its route at a worse metric, so that it can be found well again. The kernel's VRF is not needed.

Law: `on_change` is called outside of all locks, in order, only when what the device uses has changed.
Not here: the uplinks themselves (cellular.py, dhcp_client.py), which one is to be used (uplink_choice.py).
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Protocol

from emulators.common.service import Console, log
from emulators.common.supervise import DaemonError, run

from .cellular import Cellular
from .dhcp_client import Ethernet
from .names import ResolveError, resolve
from .overlap import find_overlap
from .path_mtu import find_path_mtu
from .pings import ping
from .uplink_choice import RECOVERIES, Choice
from .uplink_state import UplinkState

__all__ = ["RECOVERIES", "Choice", "UplinkManager", "UplinkState", "ping"]

PMTU_RAISE_S = 600.0  # RFC 8899 section 5.1.1, PMTU_RAISE_TIMER: when a narrow path is tried for more again
ANOTHER_S = 60.0  # our choice: how long an address that cannot be used is borne with before another is asked for
FIT_PATIENCE_S = 30.0  # our choice: whoever waits for an uplink waits no longer for its size than this


class HealthCheck(Protocol):
    """As device_config.Health has it."""

    @property
    def target(self) -> str: ...
    @property
    def interval_s(self) -> float: ...
    @property
    def failures(self) -> int: ...


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
        self._servers = [str(server["address"]) for server in first_boot.get("bootstrap", ())]
        self._name_servers = tuple(first_boot.get("name_servers", ()))
        self._offered: dict[str, UplinkState] = {}
        """Each uplink as its provider told of it: its own link's MTU, not the path's."""
        self._inside: tuple[str, ...] = ()
        """The branch's own networks: no uplink may lie in one."""
        self._unusable: dict[str, str] = {}
        """Uplink to the address that it cannot be used with: another is asked for."""
        self._measures = True
        self._fitting: set[str] = set()
        self._fitted_s: dict[str, float] = {}
        self._stopping = threading.Event()
        self._metrics: dict[str, tuple[int, int]] = {}
        """Metric and MTU of each uplink's default route."""
        self._parts: list[Cellular | Ethernet] = []
        if "cellular" in kinds:
            self._parts.append(Cellular(first_boot, hardware, waits, console, self._on_state))
        if "ethernet" in kinds:
            self._parts.append(Ethernet(self._on_state))

    def start(self, *, measures: bool = True) -> None:
        """Start all uplinks and the health check, in threads. With `measures` false no path is measured before
        `measure_paths`."""
        self._measures = measures
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
        """Block until there is an uplink, and it is known how large a packet it carries. Raises: TimeoutError."""
        with self._changed:
            self._changed.wait_for(lambda: self._choice.current() is not None, timeout_s)
            self._changed.wait_for(self._is_fitted, FIT_PATIENCE_S)
            state = self._choice.current()
        if state is None:
            raise TimeoutError(f"no uplink within {timeout_s:g} s")
        return state

    def measure_paths(self) -> None:
        """Find out what each uplink's path carries, from now on; block until it is known of the one in use."""
        with self._changed:
            self._measures = True
            for kind in self._offered:
                self._begin_fit(kind)
            self._changed.wait_for(self._is_fitted, FIT_PATIENCE_S)

    def set_health(self, health: HealthCheck | None) -> None:
        """Judge health by this from now on; None stops judging (all that stand are well)."""
        with self._changed:
            self._health = health
            if health is None:
                self._choice.sick.clear()
                self._settle()

    def choose_beside(self, networks: Sequence[str]) -> UplinkState | None:
        """Return the uplink to use once the branch has these networks; the one in use where none can be used then."""
        with self._changed:
            usable = [s for s in self._choice.states.values() if find_overlap(s, networks) is None]
            for state in self._choice.states.values():
                if state not in usable:
                    self._ask_for_another(state)
            return min(usable, key=lambda s: self._choice.metric(s.kind), default=self._choice.current())

    def set_inside(self, networks: Sequence[str]) -> None:
        """Use no uplink that lies in one of these networks from now on."""
        with self._changed:
            self._inside = tuple(networks)
            states = tuple(self._offered.values())
        for state in states:
            if (reason := find_overlap(state, networks)) is not None:
                self._refuse(state, reason)
                self._on_state(state.kind, None, reason)

    def set_order(self, order: Sequence[str]) -> None:
        """Prefer the uplinks in this order. Those that it does not name come last; unknown ones are left out."""
        with self._changed:
            known = self._choice.order
            named = [k for k in order if k in known]
            self._choice.order = (*named, *(k for k in known if k not in named))
            self._settle()

    # ------------------------------------------------------------ news from the uplinks

    def _refuse(self, state: UplinkState, reason: str) -> None:
        """Have no address on an uplink that lies in a network of the branch's own."""
        self._console.emit("uplink.refused", uplink=state.kind, address=state.address, reason=reason)
        run(["ip", "addr", "flush", "dev", state.interface])
        self._ask_for_another(state)

    def _ask_for_another(self, state: UplinkState) -> None:
        """Ask the provider for another address, after a while: what gave the wrong one may not be mended at once."""
        if state.kind not in self._unusable:
            timer = threading.Timer(ANOTHER_S, self._start_over, (state.kind,))
            timer.daemon = True
            timer.start()
        self._unusable[state.kind] = state.address

    def _start_over(self, kind: str) -> None:
        if self._unusable.pop(kind, None) is not None and not self._stopping.is_set():
            next(part for part in self._parts if part.kind == kind).start_over()

    def _on_state(self, kind: str, state: UplinkState | None, reason: str) -> None:
        if state is not None and (overlap := find_overlap(state, self._inside)) is not None:
            self._refuse(state, overlap)
            state, reason = None, overlap
        with self._changed:
            before = self._offered.get(kind)
            if before == state:  # a renewal, or a loss of what was not there
                return
            self._choice.set_state(kind, state)
            self._offered.pop(kind, None)
            if state is not None:
                if self._unusable.get(kind) != state.address:
                    self._unusable.pop(kind, None)
                self._offered[kind] = state
                self._begin_fit(kind)
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
        wanted = (self._choice.metric(kind), state.mtu)
        before = self._metrics.get(kind)
        if before == wanted:
            return
        way = ["via", state.gateway] if state.gateway else []
        route = ["default", *way, "dev", state.interface]
        try:
            run(["ip", "route", "replace", *route, "metric", str(wanted[0]), "mtu", str(wanted[1])])
            if before is not None and before[0] != wanted[0]:
                run(["ip", "route", "del", *route, "metric", str(before[0])])
            self._metrics[kind] = wanted
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

    # ------------------------------------------------------------ what the path carries

    def _is_fitted(self) -> bool:
        current = self._choice.current()
        return current is None or current.kind not in self._fitting

    def _begin_fit(self, kind: str) -> None:
        """Find out in a thread of its own what an uplink's path carries. Called with the lock held."""
        if self._measures and kind not in self._fitting:
            self._fitting.add(kind)
            threading.Thread(target=self._fit, args=(kind,), name=f"path-{kind}", daemon=True).start()

    def _fit(self, kind: str) -> None:
        with self._changed:
            offered = self._offered.get(kind)
        carried = None
        try:
            if offered is not None:
                carried = find_path_mtu(offered.interface, self._find_target(offered), offered.mtu)
        except (ResolveError, OSError) as error:
            log(f"uplinks: the path of {kind} was not measured: {error}")
        finally:
            with self._changed:
                self._fitting.discard(kind)
                self._fitted_s[kind] = time.monotonic()
                if offered is not None and self._offered.get(kind) == offered:
                    self._adopt_size(kind, carried)
                elif kind in self._offered:  # another one meanwhile
                    self._begin_fit(kind)
                self._changed.notify_all()

    def _adopt_size(self, kind: str, carried: int | None) -> None:
        state = self._choice.states[kind]
        if carried is None or carried == state.mtu:
            return
        self._choice.states[kind] = replace(state, mtu=carried)
        event = "path.narrowed" if carried < state.mtu else "path.widened"
        self._console.emit(event, uplink=kind, mtu=carried, was=state.mtu)
        self._settle()

    def _find_target(self, state: UplinkState) -> str:
        """Return an address to try: the health check's, else a bootstrap server's. Raises: ResolveError."""
        if self._health is not None:
            return self._health.target
        servers = self._name_servers or state.name_servers
        if not self._servers:
            raise ResolveError("no server is known")
        return resolve(self._servers[0], servers)[0]

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
                for kind in states:
                    if time.monotonic() - self._fitted_s.get(kind, 0.0) > PMTU_RAISE_S:
                        self._begin_fit(kind)
            for kind, state in states.items():
                answered = ping(state.interface, health.target)
                with self._changed:
                    if self._choice.take_answer(kind, answered=answered, failures=health.failures):
                        log(f"uplinks: {kind} is {'sick' if kind in self._choice.sick else 'well'}")
                        self._settle()
