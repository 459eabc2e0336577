"""The client's DHCP: udhcpc does the protocol, this sets what it was given. Layer: stand-in, I/O; `parse_*` are pure.

udhcpc runs in the foreground and keeps the lease (renews it at half its time). At each event it runs udhcpc_event.sh,
which prints the event on udhcpc's own standard output; a thread here reads it. Options by number of RFC 2132: 51 lease
time, 58 renewal (T1), 59 rebinding (T2).

Law: in the state without a lease the interface has no address and there is no route (RFC 2131 section 4.4.5).
"""

from __future__ import annotations

import ipaddress
import subprocess
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from emulators.common import service
from emulators.common.service import log
from emulators.common.supervise import DaemonError, run

SCRIPT = Path(service.__file__).with_name("udhcpc_event.sh")
STOP_S = 2.0
TRY_PAUSE_S = 1  # between DISCOVERs: shorter than RFC 2131 section 4.1's 4 s, so that waiting is not the client's doing


class LeaseError(RuntimeError):
    """No lease in time, or the client program ended."""


@dataclass(frozen=True, slots=True)
class Lease:
    """What the server gave. `t1_s` and `t2_s`: as sent, else the defaults of RFC 2131 section 4.4.5."""

    address: str
    prefix: int
    router: str | None
    dns: tuple[str, ...]
    lease_s: int
    t1_s: float
    t2_s: float


@dataclass(frozen=True, slots=True)
class DhcpEvent:
    name: str
    values: dict[str, str]


def build_command(link: str) -> list[str]:
    """Return udhcpc's command line: foreground, T1 and T2 asked for, no vendor class, trying for ever."""
    pause = str(TRY_PAUSE_S)
    options = ["-O", "58", "-O", "59", "-V", ""]
    return ["udhcpc", "-f", "-i", link, "-s", str(SCRIPT), *options, "-t", "5", "-T", pause, "-A", pause]


def parse_events(lines: Iterable[str]) -> Iterator[DhcpEvent]:
    """Read udhcpc_event.sh's blocks. What stands outside of a block is left out."""
    name: str | None = None
    values: dict[str, str] = {}
    for raw in lines:
        line = raw.rstrip("\n")
        if line.startswith("event "):
            name, values = line.removeprefix("event "), {}
        elif line == "end" and name is not None:
            yield DhcpEvent(name, values)
            name = None
        elif name is not None and "=" in line:
            key, _, value = line.partition("=")
            values[key] = value


def parse_lease(values: dict[str, str]) -> Lease:
    """Read the variables of a ``bound`` or ``renew`` event. Raises: ValueError (KeyError: a value is missing)."""
    network = ipaddress.IPv4Network(f"{values['ip']}/{values.get('mask') or values['subnet']}", strict=False)
    lease_s = int(values["lease"])
    routers = values.get("router", "").split()
    return Lease(
        address=str(ipaddress.IPv4Address(values["ip"])),
        prefix=network.prefixlen,
        router=routers[0] if routers else None,
        dns=tuple(values.get("dns", "").split()),
        lease_s=lease_s,
        t1_s=int(values["opt58"], 16) if "opt58" in values else 0.5 * lease_s,
        t2_s=int(values["opt59"], 16) if "opt59" in values else 0.875 * lease_s,
    )


def build_setup(link: str, lease: Lease | None) -> str:
    """Return the ``ip -batch`` script that gives the interface what the lease says, or takes everything from it."""
    if lease is None:
        return f"addr flush dev {link}\n"
    lines = [f"addr replace {lease.address}/{lease.prefix} dev {link}"]
    if lease.router is not None:
        lines.append(f"route replace default via {lease.router} dev {link}")
    return "\n".join(lines) + "\n"


class Leaser:
    """Gets and keeps a lease on one link. `on_lease` is called for each new lease, not for its renewals."""

    def __init__(self, link: str, on_lease: Callable[[Lease], None]) -> None:
        self._link, self._on_lease = link, on_lease
        self._process: subprocess.Popen[str] | None = None
        self._lock, self._changed = threading.Lock(), threading.Condition()
        self._lease: Lease | None = None

    def current(self) -> Lease | None:
        return self._lease

    def name_servers(self) -> tuple[str, ...]:
        return self._lease.dns if self._lease is not None else ()

    def obtain(self, timeout_s: float) -> Lease:
        """Ask for a lease from the start (DISCOVER), dropping one that is held. Raises: LeaseError."""
        with self._lock:
            self.stop()
            self._process = process = subprocess.Popen(
                build_command(self._link),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                text=True,
            )
            threading.Thread(target=self._follow, args=(process,), daemon=True).start()
            with self._changed:
                self._changed.wait_for(lambda: self._lease is not None or process.poll() is not None, timeout_s)
                if self._lease is not None:
                    return self._lease
        if process.poll() is not None:
            raise LeaseError(f"{self._link}: udhcpc ended with code {process.returncode}")
        raise LeaseError(f"{self._link}: no DHCP lease within {timeout_s} s")

    def stop(self) -> None:
        """End the client program and take the lease's address away."""
        process, self._process = self._process, None
        if process is not None and process.poll() is None:
            process.terminate()
            try:
                process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        self._configure(None)
        self._publish(None)

    def _follow(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        with process.stdout as stream:
            for event in parse_events(stream):
                if process is not self._process:
                    break
                try:
                    self._on_event(event)
                except (KeyError, ValueError, DaemonError) as error:
                    log(f"dhcp on {self._link}: {event.name} is not usable: {type(error).__name__}: {error}")
        with self._changed:
            self._changed.notify_all()

    def _on_event(self, event: DhcpEvent) -> None:
        log(f"dhcp on {self._link}: {event.name} {event.values.get('ip', '')}")
        if event.name in ("bound", "renew"):
            lease = parse_lease(event.values)
            self._configure(lease)
            if event.name == "bound":
                self._on_lease(lease)
            self._publish(lease)
        elif event.name in ("deconfig", "nak"):
            self._configure(None)
            self._publish(None)

    def _configure(self, lease: Lease | None) -> None:
        run(["ip", "-batch", "-"], build_setup(self._link, lease))

    def _publish(self, lease: Lease | None) -> None:
        with self._changed:
            self._lease = lease
            self._changed.notify_all()
