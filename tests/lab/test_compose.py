"""The lab brought up by hand: Compose on compose/lab.yaml with seeds of `branchproof seed`, down again, nothing left.

The file's own names and subnets are used, so there can be one such lab on an engine at a time.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import yaml
from lab_nodes import ROOT, docker

from emulators.common import wire

pytestmark = pytest.mark.lab

PROFILE = ROOT / "profiles" / "pier-kiosk.yaml"
TOPOLOGY = ROOT / "compose" / "lab.yaml"
READY_TIMEOUT_S = 90.0
TUNNEL_TIMEOUT_S = 240.0  # the whole bring-up, an upgrade with a reboot in it
POLL_S = 1.0  # each look starts docker-compose, which costs more than what it looks at


class Compose:
    """One project of docker-compose."""

    def __init__(self, seeds: Path) -> None:
        self.project = f"bptc{os.urandom(3).hex()}"
        self._environment = {**os.environ, "BRANCHPROOF_SEEDS": str(seeds)}

    def __call__(self, *args: str, check: bool = True, timeout_s: float = 180.0) -> str:
        command = ["docker-compose", "-p", self.project, "-f", str(TOPOLOGY), *args]
        done = subprocess.run(
            command, env=self._environment, capture_output=True, text=True, check=False, timeout=timeout_s
        )
        assert not check or done.returncode == 0, f"{' '.join(command)}: {done.returncode}: {done.stderr[-3000:]}"
        return done.stdout

    def events(self, service: str) -> list[wire.Event]:
        """Return the events in a service's log; what is no event there is its free text."""
        found = []
        for line in self("logs", "--no-color", "--no-log-prefix", service).splitlines():
            if line.startswith("{"):
                found.append(wire.parse_event(line.encode()))
        return found

    def wait(self, service: str, kind: str, timeout_s: float) -> wire.Event:
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            events = self.events(service)
            for event in events:
                if event.kind == kind:
                    return event
                assert event.kind != "node.failed", f"{service}: {event.data}"
            time.sleep(POLL_S)
        tail = self("logs", "--no-color", "--tail", "15", *sorted({service, "router"}))
        raise AssertionError(f"{service}: no {kind} within {timeout_s} s:\n{tail}")


def stand_ins() -> list[str]:
    """Return the services that are stand-ins: all but the one-shot in the host's network."""
    services = yaml.safe_load(TOPOLOGY.read_text(encoding="utf-8"))["services"]
    return [name for name, service in services.items() if service.get("network_mode") != "host"]


def leftovers(project: str) -> dict[str, list[str]]:
    """Return what the engine still has of a project."""
    chosen = ["--filter", f"label=com.docker.compose.project={project}", "-q"]
    asked: dict[str, Callable[[], str]] = {
        "containers": lambda: docker("ps", "-a", *chosen),
        "networks": lambda: docker("network", "ls", *chosen),
        "volumes": lambda: docker("volume", "ls", *chosen),
    }
    return {kind: ask().split() for kind, ask in asked.items()}


@pytest.fixture(scope="module")
def lab(tmp_path_factory) -> Iterator[Compose]:
    seeds = tmp_path_factory.mktemp("seeds")
    command = [str(Path(sys.executable).with_name("branchproof")), "seed", str(PROFILE), "--out", str(seeds)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    compose = Compose(seeds)
    try:
        compose("up", "-d")
        yield compose
    finally:
        compose("down", "-v", "--remove-orphans", "-t", "1", check=False)


def test_there_is_a_seed_for_every_stand_in(lab):
    folder = Path(lab._environment["BRANCHPROOF_SEEDS"])
    for name in stand_ins():
        seed = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
        assert (seed["format"], seed["node"]) == (1, name)


@pytest.mark.parametrize("service", [name for name in stand_ins() if name != "router"])
def test_every_stand_in_becomes_ready(lab, service):
    assert lab.wait(service, "node.ready", READY_TIMEOUT_S).node == service


def test_the_router_boots_from_a_slot(lab):
    started = lab.wait("router", "slot.started", READY_TIMEOUT_S)
    assert started.part == "loader"
    assert started.data["boot_count"] >= 1


def test_the_branch_comes_up_with_nobody_driving_it(lab):
    """The witness is the HQ gateway: it has installed the branch's child SA."""
    installed = lab.wait("hq-gateway", "child.installed", TUNNEL_TIMEOUT_S)
    assert installed.data["local_ts"]
    assert installed.data["remote_ts"]
    assert lab.wait("management", "report.received", 1.0)


def test_down_leaves_nothing(lab):
    lab("down", "-v", "-t", "1")
    assert leftovers(lab.project) == {"containers": [], "networks": [], "volumes": []}
