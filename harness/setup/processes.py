"""Processes by pid, and pid files: whose a pid is, whether a file still holds, how a daemon stops. Layer: setup, I/O.

Laws: a pid alone names nobody, since the kernel gives it out again: a process is named by pid and start time (proc(5),
/proc/PID/stat field 22). Nothing is ever ended by name.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from harness.setup.host import Right, as_root, run

PROC = Path("/proc")
POLL_S = 0.05

Judgement = Literal["absent", "held", "stale"]


@dataclass(frozen=True, slots=True)
class Process:
    """One process, for as long as this machine runs. `start_ticks` counts clock ticks since boot."""

    pid: int
    start_ticks: int


def find_process(pid: int) -> Process | None:
    """Return the live process with that pid; None where there is none, or only its remains (a zombie)."""
    try:
        stat = (PROC / str(pid) / "stat").read_text(errors="replace")
    except OSError:
        return None
    fields = stat.rpartition(")")[2].split()  # the name before may hold spaces and brackets; state is field 3
    return None if fields[0] in "ZX" else Process(pid, int(fields[19]))


def find_name(pid: int) -> str | None:
    """Return the name of the live process with that pid (proc(5), comm: at most 15 characters)."""
    try:
        name = (PROC / str(pid) / "comm").read_text().strip()
    except OSError:
        return None
    return name if find_process(pid) else None


def judge_pid_file(text: str | None, program: str, name_of: Callable[[int], str | None]) -> Judgement:
    """Say whether a pid file's text (None: no file) still belongs to a live process of that program.

    A file that holds no pid is stale too: a daemon writes it whole, or it was left half-written by a crash.
    """
    if text is None:
        return "absent"
    word = text.strip()
    if not word.isascii() or not word.isdigit() or int(word) == 0:
        return "stale"
    return "held" if name_of(int(word)) == program else "stale"


def stop_process(process: Process, right: Right, timeout_s: float) -> bool:
    """Ask a process to end (SIGTERM) and wait until it is gone. False: it was still there after `timeout_s`."""
    if find_process(process.pid) == process:
        run(as_root(["kill", "-TERM", str(process.pid)], right), timeout_s=10)
    deadline = time.monotonic() + timeout_s
    while find_process(process.pid) == process:
        if time.monotonic() > deadline:
            return False
        _reap(process.pid)
        time.sleep(POLL_S)
    return True


def _reap(pid: int) -> None:
    """Take the remains of a process that this one started itself; of others that is their parent's affair."""
    try:
        os.waitpid(pid, os.WNOHANG)
    except ChildProcessError:
        return
