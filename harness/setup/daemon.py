"""Starting the container engine: what a dead one left behind, the start itself, the wait. Layer: setup, I/O.

Laws: a pid file goes only when its pid is not a live process of that program; a socket only when nobody listens behind
it. An engine whose start fails, or is interrupted, is ended again. Not here: whether to start one (engine.py).
"""

from __future__ import annotations

import os
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from harness.errors import EngineError
from harness.setup.builder import ask_engine
from harness.setup.host import Right, Say, as_root, run, search_path, state_dir, tail
from harness.setup.processes import find_name, find_process, judge_pid_file, stop_process

START_TIMEOUT_S = 90
"""Protects us: an engine answers a few seconds after its start."""
STOP_TIMEOUT_S = 60
"""Protects us: an engine that stops first gives each container of its own 10 s of grace (docker stop's default)."""
POLL_S = 0.2
DOCKER_PID = Path("/var/run/docker.pid")
PID_FILES = ((DOCKER_PID, "dockerd"), (Path("/var/run/docker/containerd/containerd.pid"), "containerd"))
"""An engine does not start while one of these names a live process, whosever it is."""
CONTAINERD_SOCKET = Path("/run/containerd/containerd.sock")
"""Where this is there, an engine waits for the containerd behind it instead of starting its own."""

Service = Literal["systemd", "service"]


def clear_stale(
    right: Right, say: Say, pid_files: tuple[tuple[Path, str], ...] = PID_FILES, listener: Path = CONTAINERD_SOCKET
) -> None:
    """Remove what an engine that is gone left behind and what would keep a new one from starting."""
    for path, program in pid_files:
        text = _read(path, right)
        if judge_pid_file(text, program, find_name) == "stale":
            say(f"removing {path}: it names {(text or '').strip()[:20]!r}, which is no live {program}")
            run(as_root(["rm", "-f", str(path)], right), 10)
    if is_deserted(listener):
        say(f"removing {listener}: nobody listens behind it")
        run(as_root(["rm", "-f", str(listener)], right), 10)


def is_deserted(path: Path) -> bool:
    """Say whether a Unix socket's file is there and nobody listens behind it (connect(2): ECONNREFUSED)."""
    with socket.socket(socket.AF_UNIX) as probe:
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            return path.is_socket()
        except OSError:
            return False  # not there, or not ours to look at
    return False


def is_daemon_alive() -> bool:
    """Say whether the engine's pid file names a live engine."""
    return judge_pid_file(_read(DOCKER_PID, "root"), "dockerd", find_name) == "held"


def read_daemon_pid() -> int:
    """Return the running engine's pid, as it wrote it. Raises: EngineError."""
    text = _read(DOCKER_PID, "root") or ""
    if not text.strip().isdigit():
        raise EngineError(
            expected=f"{DOCKER_PID} with the engine's pid",
            seen=repr(text[:20]),
            where="this machine",
            hint="see whether the engine was started with another --pidfile (daemon.json)",
        )
    return int(text)


def _read(path: Path, right: Right) -> str | None:
    try:
        return path.read_text(errors="replace")
    except PermissionError:
        done = run(as_root(["cat", str(path)], right), 10)
        return done.stdout if done.returncode == 0 else None
    except OSError:
        return None


def start_service(manager: Service, right: Right, say: Say) -> None:
    """Have the service manager start the engine, and wait until it answers. Raises: EngineError."""
    command = ["systemctl", "start", "docker"] if manager == "systemd" else ["service", "docker", "start"]
    log = ["journalctl", "-u", "docker", "-n", "15", "--no-pager"]
    if manager == "service":
        log = ["tail", "-n", "15", "/var/log/docker.log"]
    say(f"starting the container engine: {' '.join(command)}")
    done = run(as_root(command, right), START_TIMEOUT_S)
    wait_engine(lambda: f"{done.stdout}\n{run(as_root(log, right), 20).stdout}", lambda: None)


def start_daemon(right: Right, say: Say) -> None:
    """Start the engine itself and wait until it answers. Raises: EngineError.

    It gets a session of its own, so that it outlives us and no terminal's signal reaches it.
    """
    log_file = state_dir() / "dockerd.log"
    command = ["dockerd"] if right == "root" else ["dockerd", "--group", str(os.getegid())]
    say(f"starting the container engine: {' '.join(command)} (log: {log_file})")
    with log_file.open("wb") as log:
        child = subprocess.Popen(
            as_root(["env", f"PATH={search_path()}", *command], right),
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            cwd="/",
        )
    try:
        wait_engine(lambda: log_file.read_text(errors="replace"), child.poll)
    except BaseException:
        if process := find_process(child.pid):
            stop_process(process, right, STOP_TIMEOUT_S)
        raise
    child.returncode = 0  # it lives on: Popen would warn of a child that nobody waited for


def wait_engine(
    log: Callable[[], str], exit_code: Callable[[], int | None], timeout_s: float = START_TIMEOUT_S
) -> None:
    """Wait until an engine answers. Raises: EngineError with the end of its log, at once when it ended by itself."""
    began = time.monotonic()
    while not (answer := ask_engine()).version:
        code, took_s = exit_code(), time.monotonic() - began
        if code is None and took_s < timeout_s:
            time.sleep(POLL_S)
            continue
        end = "no answer" if code is None else f"it ended with exit {code}"
        raise EngineError(
            expected=f"the container engine to answer within {timeout_s:g} s",
            seen=f"{end} after {took_s:.1f} s: {answer.problem}\n{tail(log())}",
            where="this machine",
            hint="read the engine's log above; it may need rights that it does not get here (CAP_SYS_ADMIN, cgroups)",
        )
