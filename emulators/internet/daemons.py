"""Command lines of the internet's daemons: dnsmasq (names, the fixed line's DHCP) and chronyd (time). Layer: pure.

The name server answers for its zones and says of any other name that it does not exist; it asks nobody and forwards
nothing. The time server serves the bench machine's own clock and sets none (-x). Not here: running them (main.py).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

LEASE_FILE = "/run/dnsmasq.leases"
CHRONY_FILE = "/run/chrony.conf"


@dataclass(frozen=True, slots=True)
class FixedLine:
    """The fixed line's DHCP pool. `gateway` is the provider's own address on it, and the name server it tells."""

    gateway: str
    first: str
    last: str
    lease_s: int


def build_dnsmasq(
    zones: Mapping[str, str], listen: Sequence[str], line: FixedLine | None, link_prefix: int = 24
) -> tuple[str, ...]:
    """Return dnsmasq's command line (dnsmasq(8)). ``--local=/#/``: every name is ours, unknown ones do not exist."""
    argv = ["dnsmasq", "--keep-in-foreground", "--log-facility=-", "--log-queries=extra", "--log-dhcp"]
    argv += ["--user=", "--group=", "--pid-file=", "--conf-file=/dev/null", "--no-hosts", "--no-resolv", "--no-ping"]
    argv += ["--bind-interfaces", "--except-interface=lo", "--local=/#/", "--local-ttl=60"]
    argv += [f"--listen-address={address}" for address in listen]
    argv += [f"--host-record={_check_name(name)},{ipaddress.IPv4Address(at)}" for name, at in sorted(zones.items())]
    if line is not None:
        mask = ipaddress.IPv4Network(f"0.0.0.0/{link_prefix}").netmask
        argv += [f"--dhcp-range={line.first},{line.last},{mask},{line.lease_s}", "--dhcp-authoritative"]
        argv += [f"--dhcp-option=option:router,{line.gateway}", f"--dhcp-option=option:dns-server,{line.gateway}"]
        argv += [f"--dhcp-leasefile={LEASE_FILE}"]
    return tuple(argv)


def build_chrony() -> str:
    """Return chronyd's configuration (chrony.conf(5)): stratum 1 by its own clock, no control port."""
    return "local stratum 1\nallow all\ncmdport 0\nbindcmdaddress /\npidfile /run/chronyd.pid\n"


def chronyd_command() -> tuple[str, ...]:
    """Return chronyd's command line (chronyd(8)): foreground, IPv4, never touching the clock."""
    return ("chronyd", "-d", "-4", "-x", "-u", "root", "-f", CHRONY_FILE)


def read_fixed_line(settings: Mapping[str, Any]) -> FixedLine | None:
    """Read the seed's `fixed_line`. Raises: TypeError, ValueError."""
    given = settings.get("fixed_line")
    if given is None:
        return None
    line = FixedLine(**given)
    if not ipaddress.IPv4Address(line.first) <= ipaddress.IPv4Address(line.last):
        raise ValueError(f"fixed_line: expected first <= last, saw {line.first} and {line.last}")
    return line


def _check_name(name: str) -> str:
    """A name goes into a comma-separated option: nothing else may."""
    if not name or any(not (c.isascii() and (c.isalnum() or c in "-._")) for c in name):
        raise ValueError(f"zones: expected a host name, saw {name!r}")
    return name
