"""Modem, dialler and carrier in real containers: the kernel's TUN, NAT and path MTU, dnsmasq, tcpdump.

router (modem process, uplinks) --(radio: GTP-U)-- carrier (NAT) --(inet)-- internet (dnsmasq)
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from typing import Any

import pytest
from lab_nodes import BLOCKS, ROOT, Bench, Node
from scapy.contrib.gtp import GTP_U_Header
from scapy.layers.inet import IP, UDP
from scapy.utils import PcapReader

pytestmark = pytest.mark.lab

CODE = ("-v", f"{ROOT}/emulators:/opt/branchproof/emulators:ro")
TUN = ("--device", "/dev/net/tun", "--sysctl", "net.ipv4.ip_forward=1")
CAPS = ("NET_ADMIN", "NET_RAW", "NET_BIND_SERVICE", "SETUID", "SETGID")
BLOCK = BLOCKS["cellular"]
IMSI, PASSWORD, PIN, MTU = "001010000000001", "pier-7-secret", "4321", 1358
APN = {"name": "m2m.skerry.example", "auth": {"method": "pap", "user": "ferry", "password": PASSWORD}}
CLEAR = {"down_bps": 0, "up_bps": 0, "delay_ms": 0, "jitter_ms": 0, "loss_pct": 0}

ROUTER_MAIN = """
import os, subprocess, sys, threading
from emulators.common.links import settle_links
from emulators.common.service import Console, load_seed, serve_commands
from emulators.router.runtime.uplinks import UplinkManager
seed = load_seed(); settle_links(seed); own = seed["settings"]
import json
env = {**os.environ, "MODEM_SETTINGS": json.dumps({"node": "router", **own})}
subprocess.Popen([sys.executable, "-m", "emulators.router.modem.main"], env=env, stdin=subprocess.DEVNULL)
console = Console("router", "runtime")
UplinkManager(own["first_boot"], own["hardware"], own["waits"], console, lambda state: None).start()
serve_commands(console, {})
threading.Event().wait()
"""
INTERNET_MAIN = """
ip addr flush dev eth0; ip addr add 198.18.0.1/24 dev eth0
exec dnsmasq -k -C /dev/null --no-resolv --no-hosts --address=/boot.example/198.18.0.20 --user= --group= --pid-file=
"""


def link(name: str, nominal: str, address: str) -> dict[str, Any]:
    return {"name": name, "mac": "", "nominal": nominal, "addresses": [address], "routes": []}


def carrier_seed() -> dict[str, Any]:
    subscriber = {"imsi": IMSI, "active": True, "roaming_allowed": False, "apns": [{**APN, "mtu": MTU}]}
    settings = {
        "plmn": "001-01",
        "pool": "100.64.0.0/24",
        "gateway": "100.64.0.1",
        "nat_address": "198.18.0.10",
        "dns_upstream": "198.18.0.1",
        "subscribers": [subscriber],
        "cell": {"rsrp_dbm": -95, "rsrq_db": -10.5, "sinr_db": 12},
        "link": CLEAR,
        "wait_registration_s": 0,
    }
    links = [link("radio", f"{BLOCK}.3", "198.18.255.1/30"), link("inet", f"{BLOCK}.19", "198.18.0.10/24")]
    return {"format": 1, "run": "t", "node": "carrier", "links": links, "settings": settings}


def router_seed() -> dict[str, Any]:
    plan = {"slot": 1, "pin": PIN, "apns": [{"name": "wrong.example", "auth": None}, APN]}
    settings = {
        "sims": [{"slot": 1, "iccid": "8901001123456789015", "imsi": IMSI, "pin": PIN, "puk": "12345678"}],
        "hardware": {"sim_slots": 2, "ethernet_wan": False},
        "waits": {"modem_registration_s": 0.5},
        "first_boot": {"sims": [plan], "uplinks": ["cellular"]},
    }
    links = [link("radio", f"{BLOCK}.2", "198.18.255.2/30")]
    return {"format": 1, "run": "t", "node": "router", "links": links, "settings": settings}


@pytest.fixture(scope="module")
def nodes() -> Iterator[tuple[Node, Node, Node]]:
    bench = Bench()
    running: list[Node] = []
    try:
        radio, inet = bench.network(f"{BLOCK}.0/28"), bench.network(f"{BLOCK}.16/28")
        image, shell = "branchproof/carrier:bench", ("sh", "-c", INTERNET_MAIN)
        internet = bench.container(image, {inet: f"{BLOCK}.20"}, CAPS, (), shell)
        carrier = bench.container(image, {radio: f"{BLOCK}.3", inet: f"{BLOCK}.19"}, CAPS, (*CODE, *TUN))
        main = ("python3", "-c", ROUTER_MAIN)
        router = bench.container(
            "branchproof/router:bench", {radio: f"{BLOCK}.2"}, CAPS, (*CODE, *TUN, "--tmpfs", "/flash"), main
        )
        for name, seed in ((internet, {}), (carrier, carrier_seed()), (router, router_seed())):
            running.append(Node(name, seed))
        running[1].wait("node.ready", 30)
        running[2].wait("uplink.up", 60)
        yield running[2], running[1], running[0]
    finally:
        for node in running:
            node.close()
        bench.close()


def ping(node: Node, target: str, *options: str) -> str:
    return node.exec("sh", "-c", f"ping -n -c 1 -W 2 {' '.join(options)} {target} 2>&1 || true")


def test_walk_is_witnessed_by_the_carrier(nodes: tuple[Node, Node, Node]) -> None:
    _, carrier, _ = nodes
    refused, granted = carrier.wait("pdn.refused")["data"], carrier.wait("pdn.granted")["data"]
    assert (refused["apn"], refused["cause"]) == ("wrong.example", 27)  # TS 24.301 Annex B
    assert (granted["address"], granted["mtu"], granted["dns"]) == ("100.64.0.2", MTU, ["100.64.0.1"])


def test_first_use_nat_and_names(nodes: tuple[Node, Node, Node]) -> None:
    router, carrier, _ = nodes
    assert "1 received" in ping(router, "198.18.0.1")
    used = carrier.wait("address.first_used")["data"]
    assert used == {"address": "100.64.0.2", "destination": "198.18.0.1", "protocol": "icmp"}
    script = (
        "import dns.message as m, dns.query as q; print(q.udp(m.make_query('boot.example','A'),'100.64.0.1',3).answer)"
    )
    assert "198.18.0.20" in router.exec("python3", "-c", script)
    carrier.wait("name.answered", client="100.64.0.2", name="boot.example", address="198.18.0.20")


def test_path_mtu_by_the_kernel(nodes: tuple[Node, Node, Node]) -> None:
    """RFC 1191: a packet above the APN's MTU with DF draws ICMP 3/4; without DF it is cut (RFC 791)."""
    router, carrier, internet = nodes
    assert "1 received" in ping(router, "198.18.0.1", "-M do", f"-s {MTU - 28}")
    assert "1 received" not in ping(router, "198.18.0.1", "-M do", f"-s {MTU - 27}")
    # Downlink: for the test alone, let the internet reach the device unasked.
    carrier.exec("nft", "-f", "-", text='insert rule ip carrier pass iifname "inet" oifname "gtp0" accept\n')
    internet.exec("ip", "route", "add", "100.64.0.0/24", "via", "198.18.0.10")
    said = ping(internet, "100.64.0.2", "-M do", f"-s {MTU - 27}")
    assert re.search(rf"198\.18\.0\.10 .*mtu = {MTU}", said), said
    assert "1 received" in ping(internet, "100.64.0.2", "-M dont", "-s 1472")


def test_delay_is_what_was_set(nodes: tuple[Node, Node, Node]) -> None:
    """30 ms each way: never less than 60 ms; the least of 20 is near it, whatever the machine's load adds to others."""
    router, carrier, _ = nodes
    carrier.ask("link", **{**CLEAR, "delay_ms": 30})
    out = router.exec("ping", "-n", "-q", "-c", "20", "-i", "0.05", "198.18.0.1")
    carrier.ask("link", **CLEAR)
    least = float(re.search(r"= ([\d.]+)/", out)[1])  # type: ignore[index]
    assert 59.9 <= least < 66


def test_capture_holds_gtpu_and_no_secret(nodes: tuple[Node, Node, Node], tmp_path: Any) -> None:
    _, carrier, _ = nodes
    raw = {
        name: base64.b64decode(carrier.ask("fetch", path=f"/run/capture/{name}.pcap")["base64"])
        for name in ("radio", "inet")
    }
    assert PASSWORD.encode() not in raw["radio"] + raw["inet"]
    (tmp_path / "radio.pcap").write_bytes(raw["radio"])
    with PcapReader(str(tmp_path / "radio.pcap")) as reader:
        packets = list(reader)
    assert packets
    assert {p[UDP].dport for p in packets if UDP in p} == {2152}  # the signalling port is left out
    inner = [p[GTP_U_Header][IP] for p in packets if GTP_U_Header in p and IP in p[GTP_U_Header]]
    assert {"100.64.0.2", "198.18.0.1"} <= {p.src for p in inner}


def test_no_secret_in_events(nodes: tuple[Node, Node, Node]) -> None:
    router, carrier, _ = nodes
    told = repr((router.events, carrier.events, router.errors, carrier.errors))
    assert PASSWORD not in told
    assert f'"{PIN}"' not in told
    assert "AT+CPIN=***" in told
