"""Two containers with one radio link between them, both ends running the stand-ins' own packet loop. I/O: engine.

Not here: what runs inside (radio_node.py), what is measured (radio_link.py).
"""

from __future__ import annotations

import secrets as random
import tempfile
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from emulators.common.links import Link
from emulators.common.record import to_json
from harness.core.model import Ask
from harness.lab.compose_file import load_topology
from harness.lab.containers import ContainerLab
from harness.lab.topology import Topology
from tests.bench.figures import BenchError

IMAGE = "branchproof/carrier:bench"
MTU_BYTES = 1400
MODEM, GATEWAY = "modem", "gateway"
PLAIN = {MODEM: "198.18.255.2", GATEWAY: "198.18.255.1"}
INNER = {MODEM: "100.64.0.2", GATEWAY: "100.64.0.1"}
TOPOLOGY = """
x-node: &node
  image: %s
  cap_drop: [ALL]
  cap_add: [NET_ADMIN, NET_RAW]
  security_opt: ["no-new-privileges:true"]
  read_only: true
  stdin_open: true
  devices: ["/dev/net/tun:/dev/net/tun:rwm"]
  tmpfs: [/run, /tmp]
  depends_on: [bridges]
services:
  bridges:
    image: branchproof/base:bench
    network_mode: host
    cap_drop: [ALL]
    cap_add: [NET_ADMIN]
    read_only: true
    command: [sh, /opt/branchproof/emulators/common/deafen.sh, bpb-radio]
  modem:
    <<: *node
    networks:
      radio: {ipv4_address: 198.19.0.18}
  gateway:
    <<: *node
    networks:
      radio: {ipv4_address: 198.19.0.19}
networks:
  radio:
    driver: bridge
    driver_opts: {com.docker.network.bridge.name: bpb-radio, com.docker.network.bridge.inhibit_ipv4: "true",
                  com.docker.network.bridge.enable_ip_masquerade: "false"}
    ipam: {config: [{subnet: 198.19.0.16/28}]}
"""


class RadioLab:
    """The two ends. Use as a context manager: everything is removed on every way out."""

    def __init__(self) -> None:
        with tempfile.TemporaryDirectory(prefix="bpbench-") as folder:
            path = Path(folder) / "radio.yaml"
            path.write_text(TOPOLOGY % IMAGE, encoding="utf-8")
            topology = load_topology(path)
        code = Path(__file__).with_name("radio_node.py").read_text(encoding="utf-8")
        services = {
            name: s if s.network_mode == "host" else replace(s, command=("python3", "-c", code))
            for name, s in topology.services.items()
        }
        self._lab = ContainerLab(
            replace(topology, services=services), _build_seeds, random.token_hex(3), router="(none)"
        )
        self._count = 0

    def __enter__(self) -> Self:
        try:
            self._lab.start()
        except BaseException:
            self._lab.stop()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._lab.stop()

    def start(self, node: str, verb: str, **args: Any) -> str:
        """Send a command; return the label to wait for."""
        self._count += 1
        self._lab.perform(Ask(node, verb, args, f"{self._count}"))
        return f"{self._count}"

    def wait(self, label: str, timeout_s: float = 60.0) -> Any:
        """Return the answer to a command. Raises: BenchError."""
        deadline_ns = time.monotonic_ns() + int(timeout_s * 1e9)
        while (seen := self._lab.wait_observation(deadline_ns)) is not None:
            if seen.kind == "command.done" and seen.data.get("label") == label:
                if not seen.data["ok"]:
                    raise BenchError(f"{seen.source}: {seen.data['verb']}: {seen.data['error']}")
                return seen.data["result"]
        raise BenchError(f"expected an answer within {timeout_s:g} s, saw none")

    def ask(self, node: str, verb: str, **args: Any) -> Any:
        """Send a command and return its answer."""
        return self.wait(self.start(node, verb, **args))


def _build_seeds(topology: Topology) -> Mapping[str, Any]:
    seeds = {}
    for name, peer in ((MODEM, GATEWAY), (GATEWAY, MODEM)):
        end = topology.services[name].attachments[0]
        settings = {
            "device": name == MODEM, "own": PLAIN[name], "peer": PLAIN[peer], "device_address": INNER[MODEM],
            "inner": INNER[name], "inner_peer": INNER[peer], "mtu": MTU_BYTES,
        }  # fmt: skip
        link = Link("radio", end.mac, end.address, (f"{PLAIN[name]}/30",))
        seeds[name] = {"format": 1, "run": "bench", "node": name, "links": [to_json(link)], "settings": settings}
    return seeds
