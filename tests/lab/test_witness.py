"""The witness itself: a packet that the router lets out in clear is counted by the census that would clear it.

The packet is written to the bearer under the router's own firewall (packet(7)), so nothing on the device can stop it.
"""

from __future__ import annotations

import secrets
import subprocess
import time

import pytest
from scapy.layers.inet import IP, UDP
from scapy.packet import Raw

from harness.core.model import Ask, PowerOn
from harness.lab.docker_lab import DockerLab
from harness.profile.compile import compile_plan
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets
from harness.stages.hq_reached import find_inside, find_outer_link
from tests.lab.test_prove import ROOT

pytestmark = pytest.mark.lab
SEND = """
import socket, sys
link = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM)
link.sendto(bytes.fromhex(sys.argv[1]), ("wwan0", 0x0800))
"""


def test_a_packet_in_clear_is_counted() -> None:
    plan = compile_plan(load_profile(ROOT / "profiles/pier-kiosk.yaml"), "ossay-pier", "fast", None)
    lab = DockerLab(plan, resolve_secrets(plan), secrets.token_hex(3))
    node, link = find_outer_link("cellular")
    leak = bytes(IP(src="100.64.0.2", dst="10.200.0.10") / UDP(sport=40000, dport=514) / Raw(b"in clear"))
    try:
        lab.start()
        lab.perform(PowerOn())
        wait_for(lab, "child.installed", 60)
        before = count(lab, node, link, find_inside(plan))
        command = ["docker", "exec", f"bp-{lab.run_id}-router", "python3", "-c", SEND, leak.hex()]
        subprocess.run(command, check=True, timeout=30)
        time.sleep(1)
        after = count(lab, node, link, find_inside(plan))
        as_client = bytes(IP(src="10.61.1.10", dst="198.18.0.1") / UDP(sport=40000, dport=514) / Raw(b"in clear"))
        subprocess.run([*command[:-1], as_client.hex()], check=True, timeout=30)
        refused = wait_for(lab, "source.refused", 15)
    finally:
        lab.stop()
    assert before["clear"] == 0 and before["esp_udp"] + before["ike"] > 0
    assert (refused["source"], refused["destination"]) == ("10.61.1.10", "198.18.0.1")
    assert after["clear"] == 1 and "10.200.0.10" in after["clear_examples"][0]


def count(lab: DockerLab, node: str, link: str, inside: list[str]) -> dict:
    lab.perform(Ask(node, "census", {"link": link, "inside": inside}, "test.census"))
    return wait_for(lab, "command.done", 30)["result"]


def wait_for(lab: DockerLab, kind: str, timeout_s: float) -> dict:
    deadline_ns = time.monotonic_ns() + int(timeout_s * 1e9)
    while (seen := lab.wait_observation(deadline_ns)) is not None:
        if seen.kind == kind:
            return dict(seen.data)
    raise AssertionError(f"no {kind} within {timeout_s} s")
