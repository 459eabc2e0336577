"""The Ethernet uplink: udhcpc on ``fixed``. Layer: firmware, I/O; `parse_*` are pure.

udhcpc does RFC 2131 and runs emulators/common/udhcpc_event.sh at each event, which prints it; a thread here reads that.
Without a lease the interface has no address (RFC 2131 section 4.4.5). Whoever pulls the cable ends the lease's use, and
once there is a cable again it is asked for anew: it may be another network (RFC 2131 section 3.7).

Not here: routes and the choice between uplinks (uplinks.py).
"""

from __future__ import annotations

import ipaddress
import subprocess
import threading
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from emulators.common import service
from emulators.common.service import log
from emulators.common.supervise import DaemonError, run

from .uplink_state import UplinkState

INTERFACE = "fixed"
SCRIPT = Path(service.__file__).with_name("udhcpc_event.sh")
ETHERNET_MTU_BYTES = 1500
RESTART_S = 2.0
CARRIER = Path(f"/sys/class/net/{INTERFACE}/carrier")
CARRIER_LOOK_S = 0.25
# Three DISCOVERs 4 s apart (RFC 2131 section 4.1's first interval), then after 20 s again, for ever.
COMMAND = ("udhcpc", "-f", "-i", INTERFACE, "-s", str(SCRIPT), "-t", "3", "-T", "4", "-A", "20", "-O", "mtu", "-V", "")


def parse_events(lines: Iterable[str]) -> Iterator[tuple[str, dict[str, str]]]:
    """Read the script's blocks: event name and its variables."""
    name, values = "", dict[str, str]()
    for raw in lines:
        line = raw.rstrip("\n")
        if line.startswith("event "):
            name, values = line.removeprefix("event "), {}
        elif line == "end":
            yield name, values
        else:
            key, _, value = line.partition("=")
            values[key] = value


def parse_lease(values: dict[str, str]) -> tuple[str, UplinkState]:
    """Return the address with prefix length, and the uplink. Raises: KeyError, ValueError."""
    own = ipaddress.IPv4Interface(f"{values['ip']}/{values.get('mask') or values['subnet']}")
    gateway = values["router"].split()[0]
    mtu = int(values.get("mtu") or ETHERNET_MTU_BYTES)
    servers = tuple(values.get("dns", "").split())
    return str(own), UplinkState("ethernet", INTERFACE, str(own.ip), gateway, mtu, servers)


class Ethernet:
    """Keeps a lease on the Ethernet WAN. `on_state` hears of each lease and of its loss."""

    def __init__(self, on_state: Callable[[str, UplinkState | None, str], None]) -> None:
        self._on_state = on_state
        self._stopping = threading.Event()
        self._process: subprocess.Popen[str] | None = None
        self._replugged = threading.Event()

    kind = "ethernet"

    def start_over(self) -> None:
        """Give up the lease and ask for another, from anybody (RFC 2131 section 4.4.1)."""
        self._replugged.set()
        if self._process is not None:
            self._process.terminate()

    def start(self) -> None:
        threading.Thread(target=self._run, name="dhcp", daemon=True).start()
        threading.Thread(target=self._watch_carrier, name="carrier", daemon=True).start()

    def stop(self) -> None:
        self._stopping.set()
        self._replugged.set()
        if self._process is not None:
            self._process.terminate()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._process = subprocess.Popen(COMMAND, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
            assert self._process.stdout is not None
            for event, values in parse_events(self._process.stdout):
                try:
                    self._on_event(event, values)
                except (KeyError, ValueError, DaemonError) as error:
                    log(f"dhcp {event}: {type(error).__name__}: {error}")
            code = self._process.wait()
            if not self._stopping.is_set():
                log(f"udhcpc ended with code {code}")
                self._replugged.wait(RESTART_S)
                self._replugged.clear()

    def _watch_carrier(self) -> None:
        had_carrier = True
        while not self._stopping.wait(CARRIER_LOOK_S):
            has_carrier = find_carrier()
            if had_carrier and not has_carrier:
                self._on_event("nocarrier", {})
            elif has_carrier and not had_carrier and self._process is not None:
                self._replugged.set()
                self._process.terminate()
            had_carrier = has_carrier

    def _on_event(self, event: str, values: dict[str, str]) -> None:
        if event in ("bound", "renew"):
            address, state = parse_lease(values)
            run(["ip", "addr", "replace", address, "dev", INTERFACE])
            run(["ip", "link", "set", "dev", INTERFACE, "mtu", str(state.mtu), "up"])
            self._on_state("ethernet", state, "")
        elif event in ("deconfig", "leasefail", "nak", "nocarrier"):
            run(["ip", "addr", "flush", "dev", INTERFACE])
            run(["ip", "link", "set", "dev", INTERFACE, "up"])
            self._on_state("ethernet", None, "no carrier" if event == "nocarrier" else f"DHCP {event}")


def find_carrier() -> bool:
    """Say whether there is a cable with somebody at its other end."""
    try:
        return CARRIER.read_text().strip() == "1"
    except OSError:  # the interface is not up, or not there yet
        return False
