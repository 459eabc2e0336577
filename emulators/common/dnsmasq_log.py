"""What dnsmasq says that it did: names answered, leases granted. Layer: stand-in, pure (lines to records).

Reads the log of dnsmasq 2.90 run with ``--log-queries=extra --log-dhcp --log-facility=-`` (dnsmasq(8)). A lease's line
(DHCPACK) comes before those of the options sent with it, so a lease is complete at the line of its option 51.

Not here: running dnsmasq.
"""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass

_ANSWER = re.compile(r"dnsmasq\[\d+\]: \d+ ([0-9a-fA-F.:]+)/\d+ (?:config|reply|cached|/\S+) (\S+) is (\S+)$")
_ACK = re.compile(r"dnsmasq-dhcp\[\d+\]: (\d+) DHCPACK\(([^)]+)\) (\S+) ([0-9a-f:]{17})")
_LEASE_TIME = re.compile(r"dnsmasq-dhcp\[\d+\]: (\d+) sent size:\s+\d+ option:\s+51 lease-time\s+(\S+)")
_UNIT_S = {"d": 86400, "h": 3600, "m": 60, "s": 1}

INFINITE_LEASE_S = 0xFFFFFFFF  # RFC 2131 section 3.3


@dataclass(frozen=True, slots=True)
class NameAnswered:
    """`address` is None where the answer was that no such name exists (NXDOMAIN), or that it has no IPv4 address."""

    client: str
    name: str
    address: str | None


@dataclass(frozen=True, slots=True)
class LeaseGranted:
    interface: str
    mac: str
    address: str
    lease_s: int


class DnsmasqLog:
    """Reads lines one by one; remembers only acknowledgements whose lease time has not come yet."""

    def __init__(self) -> None:
        self._acks: dict[str, tuple[str, str, str]] = {}

    def feed(self, line: str) -> NameAnswered | LeaseGranted | None:
        """Return what a line says, or None."""
        line = line.strip()
        if answer := _ANSWER.search(line):
            return _read_answer(answer[1], answer[2], answer[3])
        if ack := _ACK.search(line):
            self._acks[ack[1]] = (ack[2], ack[3], ack[4])
        elif (time := _LEASE_TIME.search(line)) and time[1] in self._acks:
            interface, address, mac = self._acks.pop(time[1])
            return LeaseGranted(interface, mac, address, parse_duration(time[2]))
        return None


def _read_answer(client: str, name: str, value: str) -> NameAnswered | None:
    if value in ("NXDOMAIN", "NODATA-IPv4"):
        return NameAnswered(client, name, None)
    try:
        return NameAnswered(client, name, str(ipaddress.IPv4Address(value)))
    except ValueError:  # an alias, another type of record, an error: no address was given
        return None


def parse_duration(text: str) -> int:
    """Return the seconds of dnsmasq's ``1d2h3m4s``. Raises: ValueError."""
    if text == "infinite":
        return INFINITE_LEASE_S
    if not re.fullmatch(r"(\d+[dhms])+", text):
        raise ValueError(f"expected a duration such as 1h30m, saw {text!r}")
    return sum(int(number) * _UNIT_S[unit] for number, unit in re.findall(r"(\d+)([dhms])", text))
