"""Runs single stand-ins in containers for the lab tests, on networks of the test's own, and talks to them by wire.

Everything carries a name made for the test session (``bpt-...``) and is removed by it.
"""

from __future__ import annotations

import json
import os
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
BLOCKS = {
    module: f"198.18.{128 + place}"
    for place, module in enumerate(("apply", "certificates", "cellular", "inspection", "internet", "isolation", "qos"))
}
"""First three octets of each test module's own subnets, which may run side by side. The engine's addresses are nominal:
they must neither be a stand-in's own (DEVELOPERS.md, Links) nor in the pool of runs (harness/lab/topology.py)."""
HARDENED = ["--cap-drop", "ALL", "--security-opt", "no-new-privileges:true", "--read-only"]
TMPFS = ["--tmpfs", "/run", "--tmpfs", "/tmp"]


def docker(*args: str, check: bool = True, text: str | None = None) -> str:
    done = subprocess.run(["docker", *args], input=text, capture_output=True, text=True, check=False, timeout=120)
    if check and done.returncode:
        raise RuntimeError(f"docker {' '.join(args)}: exit {done.returncode}: {done.stderr.strip()}")
    return done.stdout.strip() if check else (done.stdout + done.stderr).strip()


class Bench:
    """Networks and containers of one test session; `close` removes all of them."""

    def __init__(self) -> None:
        self.prefix = f"bpt-{os.urandom(3).hex()}"
        self._undo: list[Callable[[], Any]] = []
        self._count = 0

    def network(self, subnet: str) -> str:
        """Make a network like those of compose/lab.yaml (no host address, no masquerade); make the host deaf."""
        self._count += 1
        name, bridge = f"{self.prefix}-{self._count}", f"{self.prefix}{self._count}"
        options = {"bridge.name": bridge, "bridge.inhibit_ipv4": "true", "bridge.enable_ip_masquerade": "false"}
        flags = [part for k, v in options.items() for part in ("-o", f"com.docker.network.{k}={v}")]
        docker("network", "create", *flags, "--subnet", subnet, name)
        self._undo.append(lambda: docker("network", "rm", name))
        self._deafen(bridge)
        return name

    def _deafen(self, bridge: str) -> None:
        """Start the script that keeps the host out of a bridge, and wait until it has. It stays until `close`."""
        keeper = f"{self.prefix}-{self._count}-keeper"
        script = "/opt/branchproof/emulators/common/deafen.sh"
        where = ["--name", keeper, "--network", "host", "--cap-add", "NET_ADMIN"]
        docker("run", "-d", *where, *HARDENED, "branchproof/base:bench", "sh", script, bridge)
        self._undo.append(lambda: docker("rm", "-f", keeper))
        deadline = time.monotonic() + 30
        while "node.ready" not in (said := docker("logs", keeper)):
            if time.monotonic() > deadline:
                raise RuntimeError(f"deafen.sh {bridge}: not ready: {said}")
            time.sleep(0.05)

    def one_shot(self, *command: str, caps: tuple[str, ...] = ("NET_ADMIN",)) -> str:
        """Run a command in the host's network namespace, in a container of its own."""
        given = [part for cap in caps for part in ("--cap-add", cap)]
        return docker("run", "--rm", "--network", "host", *HARDENED, *given, "branchproof/base:bench", *command)

    def container(
        self,
        image: str,
        networks: dict[str, str],
        caps: tuple[str, ...],
        options: tuple[str, ...] = (),
        command: tuple[str, ...] = (),
    ) -> str:
        """Create (not start) a container. `networks`: name to the engine's nominal address. Returns its name."""
        self._count += 1
        name = f"{self.prefix}-{self._count}"
        first, *others = networks.items()
        given = [part for cap in caps for part in ("--cap-add", cap)]
        where = ["--network", first[0], "--ip", first[1]]
        docker("create", "-i", "--name", name, *HARDENED, *TMPFS, *given, *where, *options, image, *command)
        self._undo.append(lambda: docker("rm", "-f", "-v", name))
        for network, address in others:
            docker("network", "connect", "--ip", address, network, name)
        return name

    def close(self) -> None:
        errors = []
        for step in reversed(self._undo):
            try:
                step()
            except (RuntimeError, subprocess.TimeoutExpired) as error:
                errors.append(error)
        if errors:
            raise ExceptionGroup("tear-down", errors)


class Node:
    """A stand-in that runs: its events so far, and commands to it."""

    def __init__(self, name: str, seed: dict[str, Any]) -> None:
        self.name, self.events, self.errors = name, [], []
        self._changed, self._id = threading.Condition(), 0
        self._process = subprocess.Popen(
            ["docker", "start", "-ai", name], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        for stream, take in ((self._process.stdout, self._take), (self._process.stderr, self.errors.append)):
            threading.Thread(target=lambda s=stream, t=take: [t(line) for line in s], daemon=True).start()
        self._write(seed)

    def _take(self, line: bytes) -> None:
        with self._changed:
            self.events.append(json.loads(line))
            self._changed.notify_all()

    def _write(self, value: dict[str, Any]) -> None:
        self._process.stdin.write(json.dumps(value).encode() + b"\n")
        self._process.stdin.flush()

    def find(self, kind: str, **data: Any) -> list[dict[str, Any]]:
        return [e for e in self.events if e["kind"] == kind and data.items() <= e["data"].items()]

    def wait(self, kind: str, timeout_s: float = 15.0, **data: Any) -> dict[str, Any]:
        with self._changed:
            self._changed.wait_for(lambda: self.find(kind, **data), timeout_s)
        found = self.find(kind, **data)
        assert found, f"{self.name}: no {kind} {data} in {timeout_s} s; saw {self.events[-8:]}; {self.errors[-8:]}"
        return found[0]

    def ask(self, verb: str, wait_s: float = 40.0, **args: Any) -> Any:
        self._id += 1
        self._write({"id": self._id, "verb": verb, "args": args})
        answer = self.wait("command.done", wait_s, id=self._id)["data"]
        assert answer["ok"], f"{verb} {args}: {answer['error']}"
        return answer["result"]

    def exec(self, *command: str, text: str | None = None) -> str:
        return docker("exec", *(["-i"] if text is not None else []), self.name, *command, text=text)

    def close(self) -> None:
        self._process.stdin.close()
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdout, self._process.stderr):
            time.sleep(0.05)
            stream.close()
