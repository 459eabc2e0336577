"""Who owns a lab: a process, named so that a later process can tell whether it still lives. Layer: lab; reads /proc.

A pid alone is used again; with its start time (proc(5), /proc/PID/stat field 22), the kernel's boot id and the pid
namespace it names one process for good. Not here: what becomes of the labs of the dead (sweep.py).
"""

from __future__ import annotations

import os
import platform
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

RUN_LABEL = "branchproof.run"
OWNER_LABEL = "branchproof.owner"
CREATED_LABEL = "branchproof.created"
KEPT_LABEL = "branchproof.kept"
"""On a volume that marks a run whose lab was left up on purpose: labels cannot be changed once made."""

Life = Literal["alive", "dead", "unknown"]
_FIELDS = 5


@dataclass(frozen=True, slots=True)
class Owner:
    """`boot` and `pid_namespace` are empty where the system does not tell them (no /proc)."""

    host: str
    boot: str
    pid_namespace: str
    pid: int
    start_ticks: int

    def render(self) -> str:
        """Return the label's value."""
        return "/".join((self.host, self.boot, self.pid_namespace, str(self.pid), str(self.start_ticks)))


def parse_owner(label: str) -> Owner | None:
    """Read a label's value; None where it is not one."""
    parts = label.split("/")
    if len(parts) != _FIELDS or not (parts[3].isdigit() and parts[4].isdigit()):
        return None
    return Owner(parts[0], parts[1], parts[2], int(parts[3]), int(parts[4]))


def describe_self(proc: Path = Path("/proc")) -> Owner:
    """Return this process as an owner."""
    pid = os.getpid()
    host = platform.node().replace("/", "-")
    ticks = find_start_ticks(pid, proc)
    if ticks is None:
        return Owner(host, "", "", pid, 0)
    boot = (proc / "sys/kernel/random/boot_id").read_text().strip()
    return Owner(host, boot, str((proc / "self/ns/pid").stat().st_ino), pid, ticks)


def find_start_ticks(pid: int, proc: Path = Path("/proc")) -> int | None:
    """Return when a process started, in clock ticks since boot; None when there is no such process."""
    try:
        text = (proc / str(pid) / "stat").read_text()
    except OSError:
        return None
    # Field 2 is the command in parentheses, which may hold spaces and parentheses: count from its end (field 3).
    fields = text[text.rindex(")") + 2 :].split()
    return None if fields[0] in "ZX" else int(fields[22 - 3])


def judge_life(owner: Owner | None, observer: Owner, proc: Path = Path("/proc")) -> Life:
    """Say whether an owner lives, as far as `observer` (this process) can know.

    Another boot of this host means dead; another host or pid namespace cannot be seen from here.
    """
    if owner is None or not owner.boot or not observer.boot or owner.host != observer.host:
        return "unknown"
    if owner.boot != observer.boot:
        return "dead"
    if owner.pid_namespace != observer.pid_namespace:
        return "unknown"
    return "alive" if find_start_ticks(owner.pid, proc) == owner.start_ticks else "dead"


def make_labels(run_id: str, owner: Owner, created_s: float) -> dict[str, str]:
    """Return the labels of everything that a run makes. `created_s`: seconds since the epoch."""
    return {RUN_LABEL: run_id, OWNER_LABEL: owner.render(), CREATED_LABEL: str(int(created_s))}
