"""This machine: who we are on it, and its package manager. Layer: setup, I/O (processes).

Laws: nothing is installed without saying so first; a command never waits for a person (no password is asked for).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal

from harness.errors import EngineError

Say = Callable[[str], None]
Right = Literal["root", "sudo", "none"]

APT_TIMEOUT_S = 900
"""Protects us; docker.io takes some 20 s over a good line."""
SBIN = "/usr/local/sbin:/usr/sbin:/sbin"
"""Where daemons and iptables are; not on a plain user's PATH on Debian."""


def find_right() -> Right:
    """Return how this user may act as root: directly, by sudo without a password, or not."""
    if os.geteuid() == 0:
        return "root"
    if shutil.which("sudo") and run(["sudo", "-n", "true"], timeout_s=10).returncode == 0:
        return "sudo"
    return "none"


def as_root(command: Sequence[str], right: Right) -> list[str]:
    """Return a command line that runs as root under that right."""
    return list(command) if right == "root" else ["sudo", "-n", *command]


def search_path() -> str:
    """Return the PATH on which daemons and their helpers are found."""
    return f"{os.environ.get('PATH', '')}:{SBIN}"


def find_program(name: str) -> str | None:
    return shutil.which(name, path=search_path())


def has_apt() -> bool:
    return find_program("apt-get") is not None


def run(command: Sequence[str], timeout_s: float) -> subprocess.CompletedProcess[str]:
    """Run a command to its end; both outputs come back as one text in stdout."""
    env = {**os.environ, "PATH": search_path(), "LC_ALL": "C.UTF-8"}
    return subprocess.run(
        list(command),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        timeout=timeout_s,
        env=env,
    )


def install(packages: Sequence[str], right: Right, say: Say) -> None:
    """Install packages of the distribution, without what they only recommend. Raises: EngineError."""
    say(f"installing {', '.join(packages)} with apt")
    get = ["env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-q", "-o", "DPkg::Lock::Timeout=120"]
    for command in ([*get, "update"], [*get, "install", "-y", "--no-install-recommends", *packages]):
        done = run(as_root(command, right), APT_TIMEOUT_S)
    if done.returncode:  # of the installation: an update may fail for a source that has nothing to do with us
        raise EngineError(
            expected=f"{', '.join(packages)} installed",
            seen=f"apt-get: exit {done.returncode}\n" + tail(done.stdout),
            where="this machine",
            hint=f"install by hand: apt-get install {' '.join(packages)}",
        )


def tail(text: str, lines: int = 15) -> str:
    """Return the last lines of a log, indented."""
    return "\n".join("    " + line for line in text.strip().splitlines()[-lines:])


def state_dir() -> Path:
    """Return the directory where set-up remembers what it started, made if it is not there. It ends with the boot."""
    if os.geteuid() == 0:
        path = Path("/run/branchproof")
    elif runtime := os.environ.get("XDG_RUNTIME_DIR"):
        path = Path(runtime, "branchproof")
    else:
        path = Path(tempfile.gettempdir(), f"branchproof-{os.geteuid()}")
    path.mkdir(mode=0o700, parents=True, exist_ok=True)
    if path.stat().st_uid != os.geteuid():
        raise EngineError(
            expected=f"{path} owned by this user",
            seen=f"owner {path.stat().st_uid}",
            where="this machine",
            hint=f"remove {path}, or set XDG_RUNTIME_DIR",
        )
    return path
