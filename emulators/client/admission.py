"""What a client does about its port's admission, and what other devices on the same port try. Layer: stand-in, I/O.

With ``dot1x`` the client runs a supplicant with its own credential all along, and asks to be let in before it asks for
a lease. A port that asks nothing is taken as open after some tries (maxStart of IEEE 802.1X-2004, from memory); one
that refuses is tried by DHCP all the same, which then tells. With ``mac`` it bears a listed address.

`attempt_admission` is what a wrong, a silent or another right device gets: see DEVELOPERS.md, "Probes".
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from emulators.client.newcomers import Targets, find_mac, remove_newcomers, settle_newcomers, try_link
from emulators.client.supplicant import Supplicant, send_start
from emulators.common.service import Handler
from emulators.common.supervise import run

OWN_S = 8.0
"""How long a client waits for its own verdict before it tries DHCP all the same."""
UNASKED_S = 3.2
"""As long, where the port asks nothing: three tries, a second apart."""
START_S = 0.3
"""What a port has to take notice of an EAPOL-Start. Our choice."""


class Admission:
    """The client's own place on its port. `settings`: the seed's ``admission``."""

    def __init__(self, link: str, settings: Mapping[str, Any] | None) -> None:
        self._link, self._settings = link, settings or {"method": "open"}
        self._credentials: Mapping[str, Any] = self._settings.get("credentials") or {}
        self._lock = threading.Lock()
        self._own: Supplicant | None = None

    def settle(self) -> None:
        """Take on the address of the list, where there is one. Before anything uses the link."""
        mac = self._settings.get("mac")
        if mac is not None:
            lines = (f"link set {self._link} {change}\n" for change in ("down", f"address {mac}", "up"))
            run(["ip", "-batch", "-"], text="".join(lines))

    def enter(self) -> str | None:
        """Be let in, as far as the port will. Returns what came of it, None where nothing was to be done."""
        if "own" not in self._credentials:
            return None
        if self._own is None:
            self._own = Supplicant(self._link, self._credentials["own"])
            self._own.start()
        outcome = self._own.authenticate(UNASKED_S)
        return outcome if outcome != "undecided" else self._own.authenticate(OWN_S)

    def verbs(self) -> dict[str, Handler]:
        return {"attempt_admission": self.attempt}

    def attempt(
        self,
        devices: Sequence[Mapping[str, Any]],
        router: str,
        peers: Sequence[str] = (),
        beyond: str | None = None,
        verdict_s: float = 3.0,
    ) -> dict[str, Any]:
        """Let each device try to get in and then to use the network. Returns name to result."""
        with self._lock:
            targets = Targets(router, find_mac(self._link, router), tuple(peers), beyond)
            others = [device for device in devices if device.get("mac")]
            try:
                links = settle_newcomers(self._link, [str(device["mac"]) for device in others])
                ways = {str(device["name"]): link for device, link in zip(others, links, strict=True)}
                with ThreadPoolExecutor(max_workers=max(1, len(devices))) as pool:
                    tries = {
                        str(d["name"]): pool.submit(self._try, d, ways.get(str(d["name"])), targets, verdict_s)
                        for d in devices
                    }
                    return {name: attempt.result() for name, attempt in tries.items()}
            finally:
                remove_newcomers()

    def _try(self, device: Mapping[str, Any], link: str | None, targets: Targets, verdict_s: float) -> dict[str, Any]:
        credential = device.get("credential")
        if link is not None and device.get("starts"):
            send_start(link)
            time.sleep(START_S)  # the port says nothing to one that it heard but lets wait
        if link is None or credential is None:
            return {"eap": None, **try_link(link or self._link, str(device["address"]), targets).to_json()}
        supplicant = Supplicant(link, self._credentials[credential])
        try:
            supplicant.start()
            eap = supplicant.authenticate(verdict_s)
            return {"eap": eap, **try_link(link, str(device["address"]), targets).to_json()}
        finally:
            supplicant.stop()
