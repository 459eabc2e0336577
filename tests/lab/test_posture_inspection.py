"""The inspector in a router, with packets: what no proof shows. It fails closed, comes back, and leaves nothing behind.

client1 (crew: application firewall), client2 (guest: watched) -- router --(inet)-- internet
"""

from __future__ import annotations

import base64
import dataclasses
import time
from collections.abc import Iterator
from typing import Any

import pytest
from lab_nodes import BLOCKS, Bench, Node
from test_apply_hq import CODE, CONFIG, FIRMWARE, FORWARD, ROUTER_CAPS, link, seed

from emulators.common.controls import Application, Applications, Reach, Threats
from emulators.common.device_config import DeviceConfig, render_config

pytestmark = pytest.mark.lab

BLOCK = BLOCKS["inspection"]
NAME, HOST = "tickets.skerry.example", "198.18.0.60"
EXCHANGE_PORT = 8079
LEAST_MBIT_S = 50.0
"""Bulk through a watched segment: far below what it does alone on two cores (about 2000), far above any uplink here."""
CREW, GUEST = (
    dataclasses.replace(CONFIG.segments[0], reach=(Reach("internet"),)),
    dataclasses.replace(CONFIG.segments[1], ports=(2,)),
)
CONTROLLED = dataclasses.replace(
    CONFIG,
    segments=(CREW, GUEST),
    applications=Applications(("crew",), (Application("tickets", "tls", ("tcp/443",), (NAME,)),)),
    threats=Threats(("guest",), ("test-file",), "drop"),
)
FREE = dataclasses.replace(CONTROLLED, applications=None, threats=None)
USE = {"kind": "tls", "host": HOST, "port": 443, "server_name": NAME}
FETCH = {"who": "client2", "address": "198.18.0.1", "port": EXCHANGE_PORT, "way": "fetch", "signature": "test-file"}
PID = """
import pathlib
for path in pathlib.Path("/proc").glob("[0-9]*/cmdline"):
    words = path.read_bytes().split(bytes(1))
    if words[1:2] == [b"-m"] and words[2].endswith(b"inspection.main"):
        print(path.parent.name)
"""


class Branch:
    def __init__(self, nodes: dict[str, Node]) -> None:
        self.nodes = nodes
        self.router, self.crew, self.guest = nodes["router"], nodes["client1"], nodes["client2"]

    def apply(self, config: DeviceConfig) -> None:
        self.router.ask("apply", document=base64.b64encode(render_config(config)).decode())

    def use(self, **changes: Any) -> str:
        """Return what comes of using the application."""
        return str(
            self.crew.ask("try_applications", tries=[{**USE, **changes}], timeout_s=1.5)["results"][0]["outcome"]
        )

    def fetch(self, clean: bool) -> str:
        tries = [{**FETCH, "clean": clean, "piece": 0}]
        return str(self.guest.ask("exchange", tries=tries, timeout_s=1.5)["results"][0]["outcome"])

    def find_inspector(self) -> str:
        """Return the process id of the inspector in the router's container."""
        found = self.router.exec("python3", "-c", PID).split()
        assert len(found) == 1, found
        return found[0]

    def wait_use(self, outcome: str, timeout_s: float = 8.0) -> None:
        deadline = time.monotonic() + timeout_s
        while (seen := self.use()) != outcome and time.monotonic() < deadline:
            time.sleep(0.2)  # whether it passes can only be tried
        assert seen == outcome, self.router.errors[-10:]


@pytest.fixture(scope="module")
def branch() -> Iterator[Branch]:
    bench = Bench()
    nodes: dict[str, Node] = {}
    try:
        build(bench, nodes)
        yield Branch(nodes)
    finally:
        for node in nodes.values():
            node.close()
        bench.close()


def build(bench: Bench, nodes: dict[str, Node]) -> None:
    inet, lan1, lan2 = (bench.network(f"{BLOCK}.{n * 16}/28") for n in range(3))
    base = ("NET_ADMIN", "NET_RAW", "NET_BIND_SERVICE", "SETUID", "SETGID")
    internet = bench.container("branchproof/internet:bench", {inet: f"{BLOCK}.5"}, base, (*CODE, *FORWARD))
    router = bench.container(
        "branchproof/router:bench",
        {inet: f"{BLOCK}.6", lan1: f"{BLOCK}.18", lan2: f"{BLOCK}.34"},
        ROUTER_CAPS,
        (*CODE, *FIRMWARE, *FORWARD, "-v", "/flash"),
        ("python3", "/firmware/apply_node.py"),
    )
    hosts = ["198.18.0.1/24", f"{HOST}/24"]
    nodes["internet"] = Node(
        internet,
        seed(
            "internet",
            [link("inet", f"{BLOCK}.5", hosts)],
            zones={"vpn.skerry.example": "198.18.0.30", NAME: HOST},
            fixed_line=None,
            web=[],
            applications={"addresses": [HOST], "ports": [443], "names": [NAME]},
            exchange=[EXCHANGE_PORT],
        ),
    )
    lans = [link(f"lan{n}", f"{BLOCK}.{2 + 16 * n}", []) for n in (1, 2)]
    uplink = {"kind": "ethernet", "interface": "fixed", "address": "198.18.0.50", "gateway": "198.18.0.1"}
    uplink |= {"mtu": 1428, "name_servers": ["198.18.0.1"]}
    wan = link("fixed", f"{BLOCK}.6", ["198.18.0.50/24"])
    nodes["router"] = Node(router, seed("router", [wan, *lans], uplink=uplink))
    for number, lan in enumerate((lan1, lan2), start=1):
        nominal = f"{BLOCK}.{3 + 16 * number}"
        client = bench.container("branchproof/client:bench", {lan: nominal}, ("NET_ADMIN", "NET_RAW"), CODE)
        own = [link(f"lan{number}", nominal, [])]
        nodes[f"client{number}"] = Node(client, seed(f"client{number}", own, segment=None, port=number))
    for node in nodes.values():
        node.wait("node.ready", 30.0)


@pytest.fixture
def controlled(branch: Branch) -> Branch:
    branch.apply(CONTROLLED)
    for client in (branch.crew, branch.guest):
        client.ask("lease", timeout_s=20.0)
    assert branch.use() == "answered"
    assert branch.use(server_name="other.example") == "refused"
    assert branch.fetch(clean=True) == "whole"
    assert branch.fetch(clean=False) != "whole"
    return branch


def test_while_the_inspector_is_stopped_nothing_queued_passes(controlled: Branch) -> None:
    process = controlled.find_inspector()
    controlled.router.exec("kill", "-STOP", process)
    try:
        assert controlled.use() == "silent"
        assert controlled.fetch(clean=True) == "silent"
    finally:
        controlled.router.exec("kill", "-CONT", process)
    controlled.wait_use("answered")
    assert controlled.fetch(clean=True) == "whole"


def test_an_inspector_that_died_comes_back(controlled: Branch) -> None:
    before = controlled.find_inspector()
    controlled.router.exec("kill", "-KILL", before)
    controlled.wait_use("answered")
    assert controlled.find_inspector() != before
    assert controlled.use(server_name="other.example") == "refused"
    assert controlled.fetch(clean=False) != "whole"


def test_without_the_controls_nothing_of_them_is_left(controlled: Branch) -> None:
    controlled.apply(FREE)
    assert controlled.use(server_name="other.example") == "answered"
    assert controlled.fetch(clean=False) == "whole"
    assert "inspection" not in controlled.router.exec("nft", "list", "tables")
    rules = controlled.router.exec("iptables-nft", "-t", "mangle", "-S")
    assert "NFQUEUE" not in rules
    assert "INSPECTION" not in rules
    controlled.apply(CONTROLLED)
    assert controlled.use(server_name="other.example") == "refused"
    assert controlled.fetch(clean=False) != "whole"


def test_bulk_through_a_watched_segment_is_not_held_up(controlled: Branch) -> None:
    count = 40_000_000
    result = controlled.guest.ask("fetch_url", url=f"http://198.18.0.1/bytes/{count}", timeout_s=30.0)
    assert result["bytes"] == count
    speed = count * 8 / result["took_s"] / 1e6
    print(f"{speed:.0f} Mbit/s")
    assert speed > LEAST_MBIT_S
