"""The board under the loader: processes, clock, and what a reboot wipes. Layer: stand-in, I/O.

A reboot happens inside one container, so what a power cycle would clear is cleared here: every process of ours (also
those that became daemons: they are PID 1's children then), /run and /tmp, interfaces, rules, routes and policies that
the runtime made. Left alone: processes that the engine put in beside us (their parent is outside), the engine's own
table `ip nat` (its name service), and the interfaces that the engine gave.
"""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import signal
import struct
import subprocess
import time
from datetime import datetime
from pathlib import Path

from emulators.common.service import log

CLOCK_FILE = Path("/run/devclock")
CLOCK_SHIM = Path("/usr/lib/branchproof/devclock.so")
KEPT_IN_RUN = {"console.lock", "secrets", "devclock", "loader.sock", "modem"}
GRACE_S = 1.0  # how long processes get to end by themselves at a reboot
KILL_S = 5.0  # how long the kernel gets to end them after that
_PR_SET_CHILD_SUBREAPER = 36  # linux/prctl.h
_ENGINE_KINDS = {"veth", "ipvlan", "macvlan", ""}


def adopt_orphans() -> None:
    """Become the parent of every orphan among our descendants. PID 1 of a container already is."""
    if os.getpid() != 1:
        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def set_clock(path: Path, shown: str) -> None:
    """Make the device's clock show the instant `shown` (RFC 3339) now."""
    wanted_ns = int(datetime.fromisoformat(shown).timestamp()) * 1_000_000_000
    write_offset(path, wanted_ns - time.time_ns())


def write_offset(path: Path, offset_ns: int) -> None:
    """Write the clock's offset in place: processes have the file mapped."""
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        os.pwrite(descriptor, struct.pack("<q", offset_ns), 0)
    finally:
        os.close(descriptor)


def find_descendants(root: int, parents: dict[int, int]) -> set[int]:
    """Return every process below `root`. `parents`: process to its parent."""
    found: set[int] = set()
    for process in parents:
        chain, at = [], process
        while at not in (0, root) and at in parents and at not in chain:
            chain.append(at)
            at = parents[at]
        if at == root:
            found.update(chain)
    return found


def load_parents() -> dict[int, int]:
    parents = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            text = stat.read_text()
        except OSError:
            continue  # it ended meanwhile
        parents[int(stat.parent.name)] = int(text.rpartition(")")[2].split()[1])  # proc(5): field 4
    return parents


def end_processes(grace_s: float = GRACE_S) -> None:
    """End every descendant: ask, then kill. Raises: RuntimeError when one stays."""
    me = os.getpid()
    started = time.monotonic()
    asked = False
    while processes := find_descendants(me, load_parents()):
        waited_s = time.monotonic() - started
        if waited_s > grace_s + KILL_S:
            raise RuntimeError(f"expected every process to end, saw {sorted(processes)} still there")
        if not asked or waited_s > grace_s:
            _signal(processes, signal.SIGKILL if asked else signal.SIGTERM)
        asked = True
        time.sleep(0.02)
        reap()


def _signal(processes: set[int], number: signal.Signals) -> None:
    for process in processes:
        try:
            os.kill(process, number)
        except ProcessLookupError:
            continue


def reap() -> dict[int, int]:
    """Collect children that ended. Returns process to exit code (negative: the signal that ended it)."""
    ended: dict[int, int] = {}
    while True:
        try:
            process, status = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return ended
        if process == 0:
            return ended
        ended[process] = os.waitstatus_to_exitcode(status)


def wipe_memory(run: Path = Path("/run"), temporary: Path = Path("/tmp")) -> None:
    """Empty what lies in memory, but for what belongs to the power-on period (so do the modem's cards)."""
    for name in ("at", "at2"):
        (run / "modem" / name).unlink(missing_ok=True)
    for item in [*run.iterdir(), *temporary.iterdir()]:
        if (item.parent == run and item.name in KEPT_IN_RUN) or item.is_mount():
            continue
        if item.is_dir() and not item.is_symlink():
            shutil.rmtree(item, ignore_errors=True)
        else:
            item.unlink(missing_ok=True)


def wipe_kernel() -> None:
    """Take away what the runtime left in the network stack."""
    for link in json.loads(_run("ip", "-j", "-d", "link") or "[]"):
        if link["ifname"] == "lo":
            continue
        if link.get("linkinfo", {}).get("info_kind", "") not in _ENGINE_KINDS:
            _run("ip", "link", "del", link["ifname"])
        else:
            _run("ip", "link", "set", link["ifname"], "nomaster")
            _run("tc", "qdisc", "del", "dev", link["ifname"], "root", may_lack=True)
    for rule in json.loads(_run("ip", "-j", "rule") or "[]"):
        if rule["priority"] not in (0, 32766, 32767):  # ip-rule(8): local, main, default
            _run("ip", "rule", "del", "priority", str(rule["priority"]))
    for table in json.loads(_run("nft", "-j", "list", "tables") or '{"nftables":[]}')["nftables"]:
        named = table.get("table")
        if named and (named["family"], named["name"]) != ("ip", "nat"):
            _run("nft", "delete", "table", named["family"], named["name"])
    for what in ("state", "policy"):
        _run("ip", "xfrm", what, "flush")
    _run("ip", "route", "flush", "table", "all", "proto", "static")
    _run("ip", "route", "flush", "table", "220", may_lack=True)  # strongSwan's own table


def _run(*command: str, may_lack: bool = False) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode and not may_lack:
        log(f"reboot: {' '.join(command)}: exit {done.returncode}: {done.stderr.strip()}")
    return "" if done.returncode else done.stdout
