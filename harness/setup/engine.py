"""The container engine on this machine: taken as it is, else installed and started. Layer: setup, I/O; `decide` pure.

Laws: an engine that answers is used and never touched. One that we started is remembered (how, pid, start time), and
only that one is stopped by `release_engine`. Whatever is done is said first. Nothing is ended by name.
Not here: images (images.py), talking to the engine (builder.py), starting it (daemon.py).
"""

from __future__ import annotations

import getpass
import json
import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from emulators.common.record import from_json, to_json
from harness.errors import EngineError
from harness.setup.builder import LOCAL_ENGINE, Builder, ask_engine
from harness.setup.daemon import (
    STOP_TIMEOUT_S,
    clear_stale,
    is_daemon_alive,
    read_daemon_pid,
    start_daemon,
    start_service,
)
from harness.setup.host import Right, Say, as_root, find_program, find_right, has_apt, install, run, state_dir, tail
from harness.setup.processes import Process, find_name, find_process, stop_process

Manager = Literal["systemd", "service", "none"]
Step = Literal["use", "install", "start"]

INSTALLATION_STARTS_S = 3
"""How long after its installation a package's own start of the engine may take to show a live daemon."""
PACKAGES = ("docker.io", "iptables")
UNITS = ("docker.socket", "docker.service", "containerd.service")
BY_HAND = "install a container engine (Debian, Ubuntu: apt-get install docker.io), or set DOCKER_HOST to one elsewhere"


@dataclass(frozen=True, slots=True)
class Facts:
    """What was found on this machine. `problem`: why no engine answers, in the client's words."""

    docker_host: str | None
    answers: bool
    denied: bool
    problem: str
    installed: bool
    right: Right
    apt: bool
    manager: Manager


@dataclass(frozen=True, slots=True)
class Started:
    """An engine that we started. `units`: of systemd, those that were not active before."""

    manager: Manager
    process: Process
    units: tuple[str, ...]


# ---------------------------------------------------------------- what to do


def decide(facts: Facts) -> tuple[Step, ...]:
    """Return the steps to an engine that answers. Raises: EngineError where there is no way."""
    if facts.answers:
        return ("use",)
    if facts.docker_host:
        raise _no_engine(facts, "see that it runs, or unset DOCKER_HOST to use an engine on this machine")
    if facts.denied:
        raise _no_engine(facts, f"let this user use it: usermod -aG docker {_user()} as root, then log in again")
    if facts.right == "none" and facts.installed:
        raise _no_engine(facts, "start the container engine as root: systemctl start docker, or dockerd")
    if not facts.installed and (facts.right == "none" or not facts.apt):
        raise _no_engine(facts, BY_HAND)
    return ("start",) if facts.installed else ("install", "start")


def _no_engine(facts: Facts, hint: str) -> EngineError:
    installed = "installed, not running" if facts.installed else "not installed"
    right = {"root": "root", "sudo": "sudo", "none": "no right to act as root"}[facts.right]
    return EngineError(
        expected="a container engine that answers",
        seen=f"{facts.problem} (on this machine: {installed}; {right})",
        where=facts.docker_host or LOCAL_ENGINE,
        hint=hint,
    )


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a uid without an account
        return str(os.geteuid())


def find_facts() -> Facts:
    """Look at this machine. Where an engine answers, nothing else is looked at."""
    answer, host = ask_engine(), os.environ.get("DOCKER_HOST") or None
    if answer.version:
        return Facts(host, True, False, "", True, "none", False, "none")
    installed = find_program("dockerd") is not None
    return Facts(host, False, answer.denied, answer.problem, installed, find_right(), has_apt(), find_manager())


def find_manager() -> Manager:
    """Return the service manager that runs here. Its programs may lie about without it, so they say nothing."""
    if Path("/run/systemd/system").is_dir():  # sd_booted(3)
        return "systemd"
    openrc, sysv = Path("/run/openrc/softlevel"), Path("/etc/inittab")
    return "service" if (openrc.exists() or sysv.exists()) and find_name(1) == "init" else "none"


# ---------------------------------------------------------------- doing it


def ensure_engine(say: Say) -> None:
    """Have an engine that answers. Raises: EngineError."""
    facts = find_facts()
    steps = decide(facts)
    if "use" in steps:
        return
    say("no container engine answers at the default socket")
    units = _inactive_units() if facts.manager == "systemd" else ()
    if "install" in steps:
        install(PACKAGES, facts.right, say)
    if "install" in steps and _wait_installation():
        say("its installation started the container engine")
    else:
        clear_stale(facts.right, say)
        if facts.manager == "none":
            start_daemon(facts.right, say)
        else:
            start_service(facts.manager, facts.right, say)
    _remember(facts.manager, units)
    say(f"the container engine answers (version {ask_engine().version}); `branchproof release` stops it")


def _wait_installation() -> bool:
    """Say whether the package's installation started the engine; wait only while a live daemon shows that it did."""
    began = time.monotonic()
    while time.monotonic() - began < (30 if is_daemon_alive() else INSTALLATION_STARTS_S):
        if ask_engine().version:
            return True
        time.sleep(0.2)
    return False


def _inactive_units() -> tuple[str, ...]:
    return tuple(unit for unit in UNITS if run(["systemctl", "is-active", "--quiet", unit], 20).returncode)


def _state_file() -> Path:
    return state_dir() / "engine.json"


def _remember(manager: Manager, units: tuple[str, ...]) -> None:
    process = find_process(read_daemon_pid())
    if process is None:
        raise EngineError(
            expected="the engine that just answered, alive", seen="gone", where="this machine", hint="see its log"
        )
    _state_file().write_text(json.dumps(to_json(Started(manager, process, units))))


def find_started() -> Started | None:
    """Return the engine that we started, if it still runs."""
    try:
        document: Any = json.loads(_state_file().read_text())
        started = from_json(Started, document)
    except (OSError, ValueError):
        return None
    return started if find_process(started.process.pid) == started.process else None


# ---------------------------------------------------------------- undoing it


def release_engine(say: Say) -> None:
    """Stop the engine if we started it and nothing runs on it. Raises: EngineError when it does not end."""
    started = find_started()
    if started is None:
        _state_file().unlink(missing_ok=True)
        return
    if running := _count_running():
        say(f"the container engine that we started is left running: {running} containers run on it")
        return
    say("stopping the container engine that we started")
    right = find_right()
    command = {"systemd": ["systemctl", "stop", *started.units], "service": ["service", "docker", "stop"]}
    done = run(as_root(command[started.manager], right), STOP_TIMEOUT_S) if started.manager in command else None
    if not stop_process(started.process, right, STOP_TIMEOUT_S):
        raise EngineError(
            expected=f"the container engine that we started to end within {STOP_TIMEOUT_S} s",
            seen=f"process {started.process.pid} still runs\n{tail(done.stdout if done else '')}",
            where="this machine",
            hint=f"see {state_dir()}/dockerd.log, and end it by hand: kill {started.process.pid}",
        )
    _state_file().unlink(missing_ok=True)


def _count_running() -> int:
    try:
        builder = Builder(LOCAL_ENGINE)
    except EngineError:
        return 0  # it answers nobody any more
    try:
        return builder.count_running()
    finally:
        builder.close()
