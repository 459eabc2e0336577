"""The gateway's charon: started, told all that it must know, and changed while it runs. Layer: stand-in, I/O.

It says that IKE was started (`ike.started`), what charon tells of SAs (`sa.established`, `child.installed`,
`child.removed`) and, out of charon's log, why a peer was refused (`sa.refused`). Pure parts: tunnel.py, refusal.py.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable
from ipaddress import IPv4Interface
from typing import Any

from emulators.common.charon import (
    cap_inner,
    choose_means,
    prepare_interface,
    remove_interface,
    route_tunnel,
    set_tunnel_mtu,
    start_charon,
)
from emulators.common.esp_sizes import largest_inner, parse_suite
from emulators.common.impair import Mend
from emulators.common.record import from_json
from emulators.common.service import Console, log
from emulators.common.supervise import Keeper
from emulators.common.swanctl import CONNECTION, render_charon
from emulators.common.vici_client import Charon, CharonError
from emulators.hq.refusal import find_refusal
from emulators.hq.tunnel import HQLAN, GatewayTunnel, build_responder, describe_event

INET_MTU_BYTES = 1500  # IEEE 802.3: the link to the internet
LISTENING_S = 5.0  # opening a local socket; protects us only

Change = Callable[[GatewayTunnel], GatewayTunnel]


class Responder:
    """The daemon and what it is told. `charon` asks it."""

    def __init__(self, seed: dict[str, Any], console: Console) -> None:
        self._console = console
        self._base = from_json(GatewayTunnel, seed["settings"]["tunnel"])
        self._address = find_own_address(seed)
        self._changes: list[Change] = []
        self._lock = threading.Lock()
        self._daemon: Keeper | None = None
        self._is_stopping = threading.Event()
        self.charon = Charon()
        self.means, self._reason = choose_means()
        console.emit("means.chosen", what="esp", means=self.means, reason=self._reason)

    @property
    def tunnel(self) -> GatewayTunnel:
        """Return the tunnel as it is now: the seed's, with every change that is under way."""
        tunnel = self._base
        for change in self._changes:
            tunnel = change(tunnel)
        return tunnel

    def start(self) -> None:
        """Start charon and tell it all. Raises: DaemonError, CharonError."""
        self._is_stopping.clear()
        self._daemon = start_charon(render_charon(self.means, ""), self._on_line)
        listening = threading.Event()
        threading.Thread(target=self._listen, args=(listening,), name="events", daemon=True).start()
        listening.wait(LISTENING_S)
        tunnel = self.tunnel
        if tunnel.method == "certificate":
            self.charon.load_ca(tunnel.remote_ca_pem or "")
        prepare_interface(self.means, tunnel.remote_subnets, self._address)
        sizes = [largest_inner(INET_MTU_BYTES, parse_suite(text), in_udp=True) for text in self._base.esp_proposals]
        set_tunnel_mtu(cap_inner(min(sizes), self.means))
        self.load()
        self._console.emit("ike.started")

    def stop(self, *, orderly: bool) -> None:
        """End charon: with a DELETE to each peer (RFC 7296 section 1.4.1), or as if its power were gone."""
        self._is_stopping.set()
        if self._daemon is None:
            return
        if not orderly:
            self._daemon.signal(signal.SIGKILL)
        self._daemon.stop()
        self._daemon = None
        if self.means == "kernel":
            remove_interface(self.means)

    def load(self) -> None:
        """Tell charon key and connection as they are now; SAs that stand stay. Raises: CharonError."""
        tunnel = self.tunnel
        if tunnel.method == "psk":
            self.charon.load_psk(tunnel.psk or "", (tunnel.local_id, tunnel.remote_id))
        else:
            self.charon.load_key(tunnel.key_pem or "")  # charon finds a certificate's key among all that it has
        self.charon.load_connection(CONNECTION, build_responder(tunnel, self.means))

    def expect(self, tunnel: dict[str, Any]) -> None:
        """Expect another peer from now on (`tunnel` as in the seed): SAs that stand are ended, and whoever comes again
        meets the new settings. Raises: RecordError, CharonError."""
        other = from_json(GatewayTunnel, tunnel)
        with self._lock:
            self._console.emit("gateway.closed")
            self.charon.unload_connection(CONNECTION)
            self.charon.terminate(CONNECTION)
            self.charon.clear_credentials()
            self._base = other
            if other.method == "certificate":
                self.charon.load_ca(other.remote_ca_pem or "")
            route_tunnel(other.remote_subnets, self._address)
            sizes = [largest_inner(INET_MTU_BYTES, parse_suite(text), in_udp=True) for text in other.esp_proposals]
            set_tunnel_mtu(cap_inner(min(sizes), self.means))
            self._console.emit("gateway.opened")
            self.load()

    def change(self, change: Change) -> Mend:
        """Change what the gateway is set to; return what takes the change back."""
        with self._lock:
            self._changes.append(change)
            self.load()

        def take_back() -> None:
            with self._lock:
                self._changes.remove(change)
                self.load()

        return take_back

    def _on_line(self, line: str) -> None:
        refusal = find_refusal(line)
        if refusal is not None:
            self._console.emit("sa.refused", reason=refusal[0], detail=refusal[1])

    def _listen(self, listening: threading.Event) -> None:
        listening.set()
        try:
            for kind, event in Charon().listen(("ike-updown", "child-updown")):
                for name, data in describe_event(kind, event, self.means):
                    self._console.emit(name, **data)
        except CharonError as error:
            if self._is_stopping.is_set():
                return
            log(str(error))
            self._console.emit("node.failed", error=str(error))
            sys.exit(1)


def find_own_address(seed: dict[str, Any]) -> str:
    """Return the gateway's address on headquarters' LAN: the source of its own packets into the tunnel."""
    for link in seed["links"]:
        if link["name"] == HQLAN and link["addresses"]:
            return str(IPv4Interface(link["addresses"][0]).ip)
    raise ValueError(f"expected a link {HQLAN} with an address, saw {[link['name'] for link in seed['links']]}")
