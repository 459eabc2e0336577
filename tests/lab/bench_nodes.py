"""Small real nodes for tests of the lab itself: the base image and a Python main of a few lines, under a topology of
their own. They keep the bench's lines (seed, events, commands) by the same emulators/common code as the stand-ins."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

from emulators.common.links import Link
from emulators.common.record import to_json
from harness.lab.compose_file import load_topology
from harness.lab.containers import ContainerLab
from harness.lab.topology import Topology

MAIN = """
import json, os, subprocess, sys, threading, time
from emulators.common.links import settle_links
from emulators.common.service import Console, load_seed, log, serve_commands
from emulators.common.verbs import standard_verbs
seed = load_seed()
console = Console(seed["node"], "core")
macs = settle_links(seed)
settings = seed["settings"]
log("settled " + json.dumps(macs))
boots = 0
if settings.get("volume"):
    path = "/flash/boots"
    boots = int(open(path).read()) + 1 if os.path.exists(path) else 1
    open(path, "w").write(str(boots))
def ping(target):
    return subprocess.run(["ping", "-c1", "-W2", target], capture_output=True).returncode
def leave(code):
    log("last words")
    os._exit(code)
def echo(size):
    return "x" * size
def stray(text):
    os.write(1, text.encode() + b"\\n")
def macs_seen():
    out = subprocess.run(["ip", "-j", "neigh"], capture_output=True, text=True).stdout
    return {n["dst"]: n.get("lladdr") for n in json.loads(out)}
if settings.get("fail"):
    console.emit("node.failed", error=settings["fail"])
    sys.exit(3)
console.emit("node.ready" if not settings.get("volume") else "boot.started", boots=boots, macs=macs)
serve_commands(console, {**standard_verbs(), "ping": ping, "leave": leave, "echo": echo, "stray": stray,
                         "neighbours": macs_seen})
threading.Event().wait()
"""


def build_seeds(topology: Topology, settings: dict[str, dict[str, Any]] | None = None) -> dict[str, Any]:
    """Return seeds: on each link, node N of it gets 198.18.<link>.<N>/24."""
    seeds = {}
    networks = sorted(topology.networks)
    for service in topology.services.values():
        if service.network_mode == "host":
            continue
        links = []
        for end in service.attachments:
            members = sorted(s.name for s in topology.services.values() if s.find_attachment(end.network))
            host = members.index(service.name) + 1
            address = f"198.18.{networks.index(end.network)}.{host}/24"
            links.append(to_json(Link(end.network, end.mac, end.address, (address,))))
        own = (settings or {}).get(service.name, {})
        seeds[service.name] = {"format": 1, "run": "test", "node": service.name, "links": links, "settings": own}
    return seeds


SMALL = """
x-node: &node
  image: branchproof/base:bench
  cap_drop: [ALL]
  cap_add: [NET_ADMIN, NET_RAW]
  security_opt: ["no-new-privileges:true"]
  read_only: true
  stdin_open: true
  tmpfs: [/run, /tmp]
  depends_on: [bridges]
services:
  bridges:
    image: branchproof/base:bench
    network_mode: host
    cap_drop: [ALL]
    cap_add: [NET_ADMIN]
    read_only: true
    command: [sh, /opt/branchproof/emulators/common/deafen.sh, bps-radio, bps-lan1]
  router:
    <<: *node
    volumes: ["flash:/flash"]
    networks:
      radio: {ipv4_address: 198.19.0.18}
      lan1: {ipv4_address: 198.19.0.34}
  carrier:
    <<: *node
    networks:
      radio: {ipv4_address: 198.19.0.19}
  client1:
    <<: *node
    networks:
      lan1: {ipv4_address: 198.19.0.35}
networks:
  radio:
    driver: bridge
    driver_opts: {com.docker.network.bridge.name: bps-radio, com.docker.network.bridge.inhibit_ipv4: "true",
                  com.docker.network.bridge.enable_ip_masquerade: "false"}
    ipam: {config: [{subnet: 198.19.0.16/28}]}
  lan1:
    driver: bridge
    driver_opts: {com.docker.network.bridge.name: bps-lan1, com.docker.network.bridge.inhibit_ipv4: "true",
                  com.docker.network.bridge.enable_ip_masquerade: "false"}
    ipam: {config: [{subnet: 198.19.0.32/28}]}
volumes:
  flash: {}
"""
IMAGE = "branchproof/carrier:bench"
"""Any stand-in's image has emulators/common; this one is small."""


def load_small(directory: Path) -> Topology:
    """Return the small topology (three nodes, two links), its nodes running MAIN."""
    path = directory / "small.yaml"
    path.write_text(SMALL)
    topology = load_topology(path)
    services = {
        name: s if s.network_mode == "host" else replace(s, image=IMAGE, command=("python3", "-c", MAIN))
        for name, s in topology.services.items()
    }
    return replace(topology, services=services)


def make_small_lab(run_id: str, settings: dict[str, dict[str, Any]] | None = None) -> ContainerLab:
    """Return a lab of the small topology, not started. The router counts its boots on its volume."""
    given = {"router": {"volume": True}, **(settings or {})}
    with tempfile.TemporaryDirectory() as directory:
        topology = load_small(Path(directory))
    return ContainerLab(topology, lambda named: build_seeds(named, given), run_id)
