"""Keeps the tunnel up for as long as its configuration runs. Layer: router firmware, I/O (charon, DNS, ip).

Two threads: one listens to charon and turns what it says into the device's state; the other asks for the tunnel
whenever there is none and an uplink, for ever, with pauses that grow. The gateway's name is asked for anew each time,
of the resolvers that the uplink or the configuration names, and charon is given an address: the system's resolver
would only be the engine's. Each request that goes unanswered is a reason to ask for the name again: a gateway that has
moved is followed at once. Where nothing answers on port 500, the next try begins on 4500 (RFC 7296 section 2.23: the
initiator may), and the one after that on 500 again: some networks let only one of them pass.

Why there is no tunnel is told as `tunnel.failed`. Not here: the connection's text (connection.py), charon's words
(tunnel_failures.py).
"""

from __future__ import annotations

import syslog
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from ipaddress import IPv4Address
from typing import TYPE_CHECKING, Any

import dns.exception
import dns.resolver

from emulators.common.charon import cap_inner, prepare_interface, set_tunnel_mtu
from emulators.common.device_config import DeviceConfig
from emulators.common.esp_sizes import SuiteError, largest_inner, parse_suite
from emulators.common.service import log
from emulators.common.supervise import DaemonError
from emulators.common.swanctl import CHILD, CONNECTION, Means, name_esp
from emulators.common.vici_client import Charon, CharonError
from emulators.common.vici_events import is_up, sections

from ..uplinks import ping
from .base import Ground, Situation, address_of, choose_name_servers, find_tunnel_mtu
from .connection import IKE_PORT, NAT_PORT, REST, build_connection, find_left_out, judge_sas
from .device_log import note
from .tunnel_failures import INIT, NO_ANSWER, Failure, FailureReader, Unanswered

if TYPE_CHECKING:
    from ..uplink_state import UplinkState

PAUSES_S = (1.0, 2.0, 4.0, 8.0, 15.0)
"""Between tries that ended without a tunnel; common practice for a device that must come back by itself."""
LOOK_S = 2.0
RESOLVE_S = 5.0


class ResolveError(RuntimeError):
    """The gateway's name has no address."""


def resolve_gateway(name: str, servers: tuple[str, ...]) -> str:
    """Return the gateway's address. Raises: ResolveError."""
    with suppress(ValueError):
        return str(IPv4Address(name))
    if not servers:
        raise ResolveError(f"{name}: no resolver is known")
    resolver = dns.resolver.Resolver(configure=False)
    resolver.nameservers = list(servers)
    resolver.timeout, resolver.lifetime = 1.0, RESOLVE_S
    try:
        answer = resolver.resolve(name, "A", search=False)
    except dns.exception.DNSException as error:
        raise ResolveError(f"{name}: asked {', '.join(servers)}: {error}") from error
    return str(min(IPv4Address(item.address) for item in answer))


class TunnelKeeper:
    """Holds the tunnel's state; `start` begins, `on_uplink` re-points, `stop` ends both threads."""

    def __init__(self, config: DeviceConfig, means: Means, uplink: UplinkState | None, ground: Ground) -> None:
        self._config, self._means, self._uplink, self._ground = config, means, uplink, ground
        self._charon = Charon()
        self._stopping, self._wake = threading.Event(), threading.Event()
        self._up, self._tries = False, 0
        self._port = IKE_PORT
        self._loaded: tuple[str, int] | None = None
        """Address and port of the connection that charon has."""
        self._reader = FailureReader()
        self._is_unanswered = False
        self._silence: Failure | None = None

    def start(self) -> None:
        """Load what charon must know and begin. Raises: CharonError, DaemonError."""
        self._prepare()
        for target in (self._listen, self._watch):
            threading.Thread(target=target, name=f"tunnel {target.__name__}", daemon=True).start()

    def stop(self) -> None:
        """End; charon itself is stopped by whoever started it."""
        self._stopping.set()
        self._wake.set()
        self._note(is_up_now=False)

    def on_line(self, line: str) -> None:
        """Take notice of a line of charon's log (in the thread that reads it)."""
        said = self._reader.feed(line)
        if isinstance(said, Unanswered):
            self._is_unanswered = True
            self._wake.set()
        elif said is not None and said.reason == NO_ANSWER:
            self._silence = said  # more is to be found out first, in the thread that may wait
            self._wake.set()
        elif said is not None:
            self._tell(said)

    def on_situation(self, situation: Situation) -> None:
        """Take notice of another uplink: the SA that ran over the old one is dropped."""
        if situation.uplink == self._uplink:
            return
        self._uplink, self._tries, self._port = situation.uplink, 0, IKE_PORT
        try:
            self._charon.terminate(CONNECTION)
            set_tunnel_mtu(find_tunnel_mtu(self._config, self._uplink, self._means))
        except (CharonError, DaemonError) as error:
            log(f"tunnel: {error}")
        self._wake.set()

    def _prepare(self) -> None:
        tunnel = self._config.tunnel
        if tunnel.method == "psk":
            self._charon.load_psk(tunnel.psk or "", (tunnel.local_id, tunnel.remote_id))
        else:
            self._charon.load_key(tunnel.key_pem or "")
            self._charon.load_ca(tunnel.remote_ca_pem or "")
        prepare_interface(self._means, tunnel.remote_subnets, address_of(self._config.segments[0]))
        set_tunnel_mtu(find_tunnel_mtu(self._config, self._uplink, self._means))
        self._loaded = None

    def _listen(self) -> None:
        while not self._stopping.is_set():
            try:
                for kind, event in self._charon.listen(("child-updown",)):
                    if self._stopping.is_set():
                        return
                    self._on_event(kind, event)
            except (CharonError, DaemonError) as error:
                if self._stopping.is_set():
                    return
                log(f"tunnel: {error}")
                self._note(is_up_now=False)
                self._await_charon()

    def _await_charon(self) -> None:
        while not self._stopping.wait(0.2):
            with suppress(CharonError, DaemonError):
                self._prepare()
                self._wake.set()
                return

    def _on_event(self, _kind: str, event: Mapping[str, Any]) -> None:
        for _, ike in sections(event):
            for child in ike.get("child-sas", {}).values():
                if is_up(event):
                    self._fit(child)
                self._note(is_up(event))

    def _fit(self, child: Mapping[str, Any]) -> None:
        """Set the tunnel's largest packet by what was negotiated."""
        uplink = self._uplink
        if uplink is None:
            return
        try:
            size = cap_inner(largest_inner(uplink.mtu, parse_suite(name_esp(child)), in_udp=True), self._means)
        except SuiteError as error:
            log(f"tunnel: {error}")
            return
        set_tunnel_mtu(size)
        self._ground.change(tunnel_mtu=size)

    def _note(self, is_up_now: bool) -> None:
        if self._up == is_up_now:
            return
        self._up = is_up_now
        priority = syslog.LOG_NOTICE if is_up_now else syslog.LOG_WARNING
        note(priority, f"tunnel to {self._config.tunnel.remote_id} is {'up' if is_up_now else 'down'}")
        self._ground.change(tunnel_up=is_up_now)
        gateway = self._loaded[0] if self._loaded else None
        self._ground.console.emit("tunnel.up" if is_up_now else "tunnel.down", gateway=gateway)
        self._ground.on_tunnel(is_up_now)
        self._tries = 0
        self._wake.set()

    def _watch(self) -> None:
        pause_s = 0.0
        while not self._stopping.is_set():
            self._wake.wait(pause_s)
            self._wake.clear()
            if self._stopping.is_set():
                return
            try:
                self._look_into_silence()
                pause_s = self._step()
            except ResolveError as error:
                self._tell(Failure("name_unresolved", "", str(error)))
                pause_s = self._next_pause()
            except (CharonError, DaemonError) as error:
                log(f"tunnel: {error}")
                pause_s = self._next_pause()

    def _step(self) -> float:
        """Ask for the tunnel if there is none. Returns how long to wait, in seconds."""
        is_unanswered, self._is_unanswered = self._is_unanswered, False
        if self._uplink is None:
            return LOOK_S
        sas = self._charon.list_sas()
        standing = judge_sas(sas)
        if standing != "idle" and not (is_unanswered and self._has_moved()):
            return self._ask_for_rest(sas) if standing == "up" else LOOK_S
        gateway = self._resolve()
        if (gateway, self._port) != self._loaded:
            self._ground.change(gateways=(gateway,))
            connection = build_connection(self._config.tunnel, gateway, self._means, self._port)
            self._charon.load_connection(CONNECTION, connection)
            self._loaded = gateway, self._port
        self._charon.initiate(CHILD, CONNECTION)
        return self._next_pause()

    def _ask_for_rest(self, sas: Sequence[Mapping[str, Any]]) -> float:
        """Ask anew for networks that the gateway left out, beside what there is. Returns how long to wait, seconds."""
        rest = find_left_out(sas, self._config.tunnel.local_subnets)
        if not rest or self._loaded is None:
            return LOOK_S
        log(f"tunnel: the gateway leaves {', '.join(rest)} out")
        gateway, port = self._loaded
        connection = build_connection(self._config.tunnel, gateway, self._means, port, rest)
        self._charon.load_connection(CONNECTION, connection)
        self._charon.initiate(REST, CONNECTION)
        return PAUSES_S[-1]

    def _resolve(self) -> str:
        return resolve_gateway(self._config.tunnel.gateway, choose_name_servers(self._config, self._uplink))

    def _has_moved(self) -> bool:
        """Say whether the gateway's name leads elsewhere now; then what there is with the old address is dropped."""
        with suppress(ResolveError):
            gateway = self._resolve()
            if self._loaded is not None and gateway != self._loaded[0]:
                log(f"tunnel: the gateway has moved from {self._loaded[0]} to {gateway}")
                self._charon.terminate(CONNECTION)
                return True
        return False

    def _look_into_silence(self) -> None:
        """Tell of a request that was given up: does the gateway answer an echo (RFC 1122 section 3.2.2.6: every host
        must)? Where not even IKE's first request was answered, begin on the other port from now on."""
        silence, self._silence = self._silence, None
        uplink, loaded = self._uplink, self._loaded
        if silence is None or uplink is None or loaded is None:
            return
        self._tell(silence, port=loaded[1], echo="answered" if ping(uplink.interface, loaded[0]) else "silent")
        if silence.exchange == INIT:
            self._port = NAT_PORT if loaded[1] == IKE_PORT else IKE_PORT

    def _tell(self, failure: Failure, **more: Any) -> None:
        facts = {"gateway": self._loaded[0] if self._loaded else None, **more}
        self._ground.console.emit(
            "tunnel.failed", reason=failure.reason, exchange=failure.exchange, detail=failure.detail, **facts
        )
        note(syslog.LOG_WARNING, f"no tunnel to {self._config.tunnel.remote_id}: {failure.reason} {failure.exchange}")

    def _next_pause(self) -> float:
        pause_s = PAUSES_S[min(self._tries, len(PAUSES_S) - 1)]
        self._tries += 1
        return pause_s
