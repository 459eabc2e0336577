"""The uplink's classes in a running router: they follow the uplink, go away whole, and charon copies code points.

The nodes are those of test_apply_hq.py. What the classes do to traffic is the check `qos`'s to prove.
"""

from __future__ import annotations

import dataclasses

import pytest
from lab_nodes import BLOCKS, Bench, Node
from test_apply_hq import CONFIG, TUNNEL_SETTINGS, World, build

from emulators.common.controls import Qos, QosClass

pytestmark = pytest.mark.lab

CLASSES = Qos(
    1_800_000,
    (
        QosClass("voice", ("ef",), 400_000, 600_000),
        QosClass("tickets", ("af21",), 500_000, 1_500_000),
        QosClass("standard", ("df",), 900_000, 1_800_000),
    ),
    ("crew",),
)
SHAPED = dataclasses.replace(CONFIG, qos=CLASSES)


@pytest.fixture(scope="module")
def world():
    bench = Bench()
    nodes: dict[str, Node] = {}
    try:
        build(bench, nodes, TUNNEL_SETTINGS, BLOCKS["qos"])
        yield World(nodes)
    finally:
        for node in nodes.values():
            node.close()
        bench.close()


def queues(world: World) -> str:
    return str(world.router.exec("tc", "class", "show", "dev", "fixed"))


def rules(world: World) -> str:
    return str(world.router.exec("nft", "list", "tables"))


def test_the_kernel_has_the_classes(world):
    assert world.apply(SHAPED) < 4.0
    shown = queues(world)
    assert "class htb 1:1 root rate 1800Kbit ceil 1800Kbit" in shown
    for minor, rates in ((10, "rate 400Kbit ceil 600Kbit"), (11, "rate 500Kbit ceil 1500Kbit"), (12, "rate 900Kbit")):
        assert f"class htb 1:{minor} parent 1:1" in shown and rates in shown
    assert "table inet qos" in rules(world)


def test_marks_of_the_crew_pass_inside_and_outside_and_a_guests_do_not(world):
    for client in (world.client1, world.client2):
        client.ask("lease", timeout_s=20)
    world.client1.ask("ping", target="10.200.0.10", count=2)
    world.endpoint.ask("udp_listen", port=5004, seconds=20.0)
    world.internet.ask("udp_listen", port=5004, seconds=20.0)
    world.gateway.ask("watch_markings", link="inet", seconds=20.0)
    stream = {"port": 5004, "bytes": 200, "bps": 80_000, "seconds": 1.0}
    marks = {1: 46, 2: 18, 3: 0, 4: 34}  # the last is no class's: it leaves as df
    crew = [{**stream, "flow": flow, "dscp": dscp, "target": "10.200.0.10"} for flow, dscp in marks.items()]
    world.client1.ask("udp_stream", streams=crew, linger_s=0.3)
    world.client2.ask("udp_stream", streams=[{**stream, "flow": 9, "dscp": 46, "target": "198.18.0.1"}], linger_s=0.3)
    inside = {f["flow"]: f["dscp"] for f in world.endpoint.ask("udp_collect", port=5004)["flows"]}
    assert inside == {1: {"46": 50}, 2: {"18": 50}, 3: {"0": 50}, 4: {"0": 50}}
    outer = world.gateway.ask("count_markings", link="inet")
    assert outer["dropped"] == 0
    assert (outer["esp"]["46"], outer["esp"]["18"]) == (50, 50)
    assert outer["esp"]["0"] >= 100
    guest = world.internet.ask("udp_collect", port=5004)["flows"]
    assert [f["dscp"] for f in guest] == [{"0": 50}]


def test_queues_follow_the_uplink(world):
    world.router.ask("uplink", there=False)
    assert "htb" not in queues(world)
    world.router.ask("uplink", there=True)
    assert "class htb 1:1 root rate 1800Kbit ceil 1800Kbit" in queues(world)


def test_queues_that_were_lost_come_back_with_the_next_change(world):
    world.router.exec("tc", "qdisc", "del", "dev", "fixed", "root")
    assert "htb" not in queues(world)
    world.router.ask("uplink", there=True)
    assert "class htb 1:12 parent 1:1" in queues(world)


def test_a_configuration_without_classes_leaves_nothing_of_them(world):
    world.apply(CONFIG)
    assert "htb" not in queues(world) and "inet qos" not in rules(world)
    world.apply(SHAPED)
    assert "class htb 1:12 parent 1:1" in queues(world)
    world.router.ask("stop")
    assert "htb" not in queues(world) and "inet qos" not in rules(world)
