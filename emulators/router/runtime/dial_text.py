"""What the dialler is told, what it reads and how it writes strings. Layer: firmware, pure.

Not here: the order of things (dialler.py).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

UNKNOWN_SIGNAL = 255  # not known or not detectable: TS 27.007 clause 8.69


@dataclass(frozen=True, slots=True)
class ApnPlan:
    name: str
    method: str | None = None
    user: str = ""
    password: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class SlotPlan:
    slot: int
    pin: str | None = field(repr=False)
    apns: tuple[ApnPlan, ...]


@dataclass(frozen=True, slots=True)
class Grant:
    """What the network gave: address with prefix length, MTU (None where it did not say)."""

    apn: str
    address: str
    gateway: str
    name_servers: tuple[str, ...]
    mtu: int | None


@dataclass(frozen=True, slots=True)
class Reply:
    """`final`: the result code; ``TIMEOUT`` when none came."""

    lines: tuple[str, ...]
    final: str

    @property
    def ok(self) -> bool:
        return self.final == "OK"

    @property
    def cme(self) -> int | None:
        match = re.fullmatch(r"\+CME ERROR: (\d+)", self.final)
        return int(match[1]) if match else None

    def values(self, prefix: str) -> tuple[str, ...]:
        """Return the comma-separated values of the first line with this prefix, unquoted; () when there is none."""
        for line in self.lines:
            if line.startswith(prefix + ":"):
                return split_values(line[len(prefix) + 1 :])
        return ()


def split_values(text: str) -> tuple[str, ...]:
    """Cut the values of an information line; string constants lose their quotes."""
    return tuple(v.strip().strip('"') for v in re.findall(r'(?:^|,)((?:"[^"]*"|[^,"]*)*)', text.strip()))


def quote(text: str) -> str:
    r"""Return a string constant; quotes and backslashes as \hh (V.250 clause 5.4.2.2)."""
    return '"' + text.replace("\\", "\\5C").replace('"', "\\22") + '"'


def parse_plans(first_boot: dict[str, Any]) -> tuple[SlotPlan, ...]:
    """Read ``first_boot.sims``: cards in the order to try them."""
    plans = []
    for sim in first_boot.get("sims", []):
        apns = []
        for apn in sim["apns"]:
            auth = apn.get("auth") or {}
            apns.append(ApnPlan(apn["name"], auth.get("method"), auth.get("user", ""), auth.get("password", "")))
        plans.append(SlotPlan(int(sim["slot"]), sim.get("pin"), tuple(apns)))
    return tuple(plans)


def parse_grant(apn: str, values: tuple[str, ...]) -> Grant | None:
    """Read +CGCONTRDP (TS 27.007 clause 10.1.23): address and mask are one dotted string of eight parts."""
    parts = values[3].split(".") if len(values) > 3 else []
    if len(parts) not in (4, 8):
        return None
    prefix = sum(int(p).bit_count() for p in parts[4:]) if len(parts) == 8 else 32
    gateway = values[4] if len(values) > 4 else ""
    servers = tuple(v for v in values[5:7] if v)
    mtu = int(values[11]) if len(values) > 11 and values[11].isdigit() else None
    return Grant(apn, f"{'.'.join(parts[:4])}/{prefix}", gateway, servers, mtu)


def parse_signal(cesq: tuple[str, ...], ports: tuple[str, ...]) -> dict[str, Any] | None:
    """Read +CESQ (TS 27.007 clause 8.69: RSRQ is the fifth value, RSRP the sixth) and the RSRP at each antenna port.

    Bins count by their lower edge; None is "not known". The whole is None where +CESQ did not come as it should.
    """
    if len(cesq) < 6 or not all(v.isdigit() for v in (*cesq, *ports)):
        return None
    rsrq, rsrp = int(cesq[4]), int(cesq[5])
    return {
        "rsrp_dbm": _to_dbm(rsrp),
        "rsrq_db": None if rsrq == UNKNOWN_SIGNAL else rsrq / 2 - 20,
        "ports_dbm": [_to_dbm(int(port)) for port in ports],
    }


def _to_dbm(rsrp: int) -> float | None:
    return None if rsrp == UNKNOWN_SIGNAL else float(rsrp - 141)
