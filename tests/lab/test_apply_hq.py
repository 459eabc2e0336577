"""The router's configuration with real daemons, and headquarters: tunnel, reach, isolation, logs, SSH and SNMP.

client1 (crew), client2 and client3 (guest, isolated) -- router --(inet, MTU 1428)-- internet, hq-gateway -- hq-endpoint
"""

from __future__ import annotations

import base64
import dataclasses
import datetime
import hashlib
import time

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from cryptography.x509.oid import NameOID
from lab_nodes import BLOCKS, ROOT, Bench, Node, docker

from emulators.common.census import census
from emulators.common.controls import Reach
from emulators.common.device_config import (
    Administration,
    DeviceConfig,
    DhcpRange,
    Logging,
    Management,
    Monitoring,
    Segment,
    SnmpUser,
    Tunnel,
    Uplinks,
    render_config,
)

pytestmark = pytest.mark.lab

WAN_MTU = 1428
KEY = ed25519.Ed25519PrivateKey.generate()
CODE = ("-v", f"{ROOT}/emulators:/opt/branchproof/emulators:ro")
FIRMWARE = (
    *("-v", f"{ROOT}/emulators/router/runtime:/firmware/runtime:ro", "-e", "PYTHONPATH=/firmware:/opt/branchproof"),
    *("-v", f"{ROOT}/tests/lab/apply_node.py:/firmware/apply_node.py:ro", "--device", "/dev/net/tun"),
)
ROUTER_CAPS = ("NET_ADMIN", "NET_RAW", "NET_BIND_SERVICE", "SYS_CHROOT", "SETUID", "SETGID", "KILL")
FORWARD = ("--sysctl", "net.ipv4.ip_forward=1", "--dns", "127.0.0.1")


def public_key() -> str:
    form = serialization.PublicFormat.OpenSSH
    return KEY.public_key().public_bytes(serialization.Encoding.OpenSSH, form).decode()


def pem() -> str:
    encoding, form = serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH
    return KEY.private_bytes(encoding, form, serialization.NoEncryption()).decode()


CONFIG = DeviceConfig(
    format=1,
    site="kiosk-north",
    hostname="kiosk-north",
    segments=(
        Segment(
            "crew",
            10,
            (1,),
            "10.20.10.1/24",
            DhcpRange("10.20.10.100", "10.20.10.150", 3600),
            (Reach("hq"), Reach("internet")),
        ),
        Segment(
            "guest",
            30,
            (2, 3),
            "10.20.30.1/24",
            DhcpRange("10.20.30.100", "10.20.30.150", 900),
            (Reach("internet"),),
            True,
        ),
    ),
    uplinks=Uplinks(("ethernet",), None),
    tunnel=Tunnel(
        gateway="vpn.skerry.example",
        local_id="kiosk-north.skerry.example",
        remote_id="hq.skerry.example",
        ike_proposals=("aes256gcm16-prfsha384-ecp384",),
        esp_proposals=("aes256gcm16",),
        local_subnets=("10.20.10.0/24",),
        remote_subnets=("10.200.0.0/24",),
        dpd_s=10,
        method="psk",
        psk="a long secret of the ferry line",
    ),
    time_servers=("198.18.0.1",),
    name_servers=(),
    logging=Logging("10.200.0.10", 514, "udp", "notice"),
    monitoring=Monitoring(
        (SnmpUser("watch", "sha256", "watch and learn", "aes128", "keep it private"),), ("hq",), "North pier", "ops"
    ),
    administration=Administration("operator", (public_key(),), ("hq",)),
    management=Management(("mgmt.skerry.example",), 30.0, 60.0),
)
TUNNEL_SETTINGS = {
    "local_id": "hq.skerry.example",
    "remote_id": "kiosk-north.skerry.example",
    "local_subnets": ["10.200.0.0/24"],
    "remote_subnets": ["10.20.10.0/24"],
    "ike_proposals": ["aes256gcm16-prfsha384-ecp384", "aes256-sha256-modp2048"],
    "esp_proposals": ["aes256gcm16", "aes256-sha256"],
    "dpd_s": 10,
    "method": "psk",
    "psk": "a long secret of the ferry line",
    "certificate_pem": None,
    "key_pem": None,
    "remote_ca_pem": None,
}


SLOW_READER = """
import socket, time
with socket.create_connection(("198.18.0.1", 80)) as line:
    line.sendall(b"GET /bytes/10000000 HTTP/1.0\\r\\nHost: 198.18.0.1\\r\\n\\r\\n")
    for _ in range(500):
        line.recv(10000)
        time.sleep(0.01)
"""


def link(name: str, nominal: str, addresses: list[str]) -> dict:
    return {"name": name, "mac": "", "nominal": nominal, "addresses": addresses, "routes": []}


def seed(node: str, links: list[dict], **settings: object) -> dict:
    return {"format": 1, "run": "t", "node": node, "links": links, "settings": settings}


class World:
    """The nodes by name, and what is common to several tests."""

    def __init__(self, nodes: dict[str, Node]) -> None:
        self.nodes = nodes

    def __getattr__(self, name: str) -> Node:
        return self.nodes[name]

    def apply(self, config: DeviceConfig) -> float:
        before = len(self.gateway.find("child.installed"))
        began = time.monotonic()
        self.router.ask("apply", document=base64.b64encode(render_config(config)).decode())
        took_s = time.monotonic() - began
        deadline = began + 20
        while len(self.gateway.find("child.installed")) == before and time.monotonic() < deadline:
            time.sleep(0.02)
        assert len(self.gateway.find("child.installed")) > before, (self.router.errors[-20:], self.gateway.errors[-30:])
        print(f"applied in {took_s:.2f} s, child installed after {time.monotonic() - began:.2f} s")
        return took_s


@pytest.fixture(scope="module")
def world():
    bench = Bench()
    nodes: dict[str, Node] = {}
    try:
        build(bench, nodes, TUNNEL_SETTINGS, BLOCKS["apply"])
        yield World(nodes)
    finally:
        for node in nodes.values():
            node.close()
        bench.close()


def build(bench: Bench, nodes: dict[str, Node], tunnel: dict[str, object], block: str) -> None:
    inet, hqlan, lan1, lan2, lan3 = (bench.network(f"{block}.{n * 16}/28") for n in range(5))
    base = ("NET_ADMIN", "NET_RAW", "NET_BIND_SERVICE", "SETUID", "SETGID")
    endpoint = bench.container("branchproof/hq:bench", {hqlan: f"{block}.18"}, base, CODE, ("python3", "-m", "emulators.hq.endpoint"))  # fmt: skip  # noqa: E501
    gateway = bench.container(
        "branchproof/hq:bench", {inet: f"{block}.4", hqlan: f"{block}.19"}, base,
        (*CODE, *FORWARD, "--device", "/dev/net/tun"),
    )  # fmt: skip
    internet = bench.container("branchproof/internet:bench", {inet: f"{block}.5"}, base, (*CODE, *FORWARD))
    router = bench.container(
        "branchproof/router:bench",
        {inet: f"{block}.6", lan1: f"{block}.34", lan2: f"{block}.50", lan3: f"{block}.66"},
        ROUTER_CAPS, (*CODE, *FIRMWARE, *FORWARD, "-v", "/flash"), ("python3", "/firmware/apply_node.py"),
    )  # fmt: skip
    nodes["endpoint"] = Node(endpoint, seed(
        "hq-endpoint", [link("hqlan", f"{block}.18", ["10.200.0.10/24"])],
        gateway="10.200.0.1", branch_subnets=["10.20.10.0/24"], syslog={"transport": "udp", "port": 514},
    ))  # fmt: skip
    nodes["gateway"] = Node(gateway, seed(
        "hq-gateway",
        [link("inet", f"{block}.4", ["198.18.0.30/24"]), link("hqlan", f"{block}.19", ["10.200.0.1/24"])],
        tunnel=tunnel,
    ))  # fmt: skip
    nodes["internet"] = Node(internet, seed(
        "internet", [link("inet", f"{block}.5", ["198.18.0.1/24"])],
        zones={"vpn.skerry.example": "198.18.0.30"}, fixed_line=None, web=[],
    ))  # fmt: skip
    lans = [link(f"lan{n}", f"{block}.{2 + 16 * (n + 1)}", []) for n in (1, 2, 3)]
    nodes["router"] = Node(router, seed(
        "router", [link("fixed", f"{block}.6", ["198.18.0.50/24"]), *lans],
        uplink={"kind": "ethernet", "interface": "fixed", "address": "198.18.0.50", "gateway": "198.18.0.1",
                "mtu": WAN_MTU, "name_servers": ["198.18.0.1"]},
    ))  # fmt: skip
    for number, lan in enumerate((lan1, lan2, lan3), start=1):
        nominal = f"{block}.{3 + 16 * (number + 1)}"
        client = bench.container("branchproof/client:bench", {lan: nominal}, ("NET_ADMIN", "NET_RAW"), CODE)
        nodes[f"client{number}"] = Node(
            client, seed(f"client{number}", [link(f"lan{number}", nominal, [])], segment="", port=number)
        )
    for node in nodes.values():
        node.wait("node.ready", 20)


def test_everything_comes_up(world):
    took_s = world.apply(CONFIG)
    assert took_s < 4.0  # the aim is 2 s on an idle machine with two cores
    child = world.gateway.wait("child.installed")["data"]
    assert (child["esp"], child["local_ts"], child["remote_ts"]) == (
        "aes256gcm16",
        ["10.200.0.0/24"],
        ["10.20.10.0/24"],
    )
    sa = world.gateway.wait("sa.established")["data"]
    assert (sa["ike"], sa["remote_id"]) == ("aes256gcm16-prfsha384-ecp384", "kiosk-north.skerry.example")
    world.router.wait("tunnel.up")
    world.router.wait("means.chosen", what="vlan")
    # what the device says of its log on the way, in RFC 5424, behind the tunnel's first packet
    world.endpoint.wait("log.received", 15, app="device", hostname="kiosk-north", severity="notice")


def test_crew_reaches_headquarters_whole(world):
    lease = world.client1.ask("lease", timeout_s=20)
    assert (lease["router"], lease["dns"][0] if isinstance(lease["dns"], list) else lease["dns"]) == (
        "10.20.10.1",
        "10.20.10.1",
    )
    pings = world.client1.ask("ping", target="10.200.0.10", count=5, interval_s=0.2)
    assert pings["received"] == 5
    assert world.endpoint.find("echo.received", source=lease["address"])
    # AES-GCM-16 in UDP over 1428 octets: 1428 - 20 - 8 - 8 - 8 - 16, down to a multiple of 4, less 2
    # (RFC 4303 2, RFC 4106 3.1, RFC 3948 2.1)
    assert world.client1.ask("largest", target="10.200.0.10", low=1200, high=1500)["bytes"] == 1366
    size = 3_000_000
    got = world.client1.ask("fetch_url", url=f"http://10.200.0.10/bytes/{size}", timeout_s=20.0)
    block = hashlib.shake_128(b"branchproof").digest(65536)
    assert got["sha256"] == hashlib.sha256((block * (size // 65536 + 1))[:size]).hexdigest()
    world.endpoint.wait("http.served", bytes=size, client=lease["address"])


def test_guest_reaches_the_internet_and_nothing_else(world):
    second, third = (world.nodes[f"client{n}"].ask("lease", timeout_s=20) for n in (2, 3))
    ping = world.client2.ask
    assert ping("ping", target="198.18.0.1", count=2)["received"] == 2
    assert ping("ping", target="10.200.0.10", count=2, timeout_s=3.0)["received"] == 0
    assert ping("ping", target=world.client1.ask("lease")["address"], count=2, timeout_s=3.0)["received"] == 0
    assert ping("ping", target=third["address"], count=2, timeout_s=3.0)["received"] == 0, "clients are not isolated"
    assert ping("ping", target="10.20.10.1", count=1, timeout_s=2.0)["received"] == 0
    assert ping("open_tcp", target="10.20.30.1", port=22)["outcome"] == "silent"
    assert ping("resolve", name="vpn.skerry.example", server="10.20.30.1")["addresses"] == ["198.18.0.30"]
    assert world.internet.ask("open_tcp", target="198.18.0.50", port=22)["outcome"] == "silent"
    assert second["address"] != third["address"]


def test_headquarters_administers_and_monitors(world):
    ssh = world.endpoint.ask("ssh", target="10.20.10.1", port=22, user="operator", key_pem=pem(), command="id -un")
    assert "operator" in ssh["output"], ssh
    root = world.endpoint.ask("ssh", target="10.20.10.1", port=22, user="root", key_pem=pem(), command="id -un")
    assert root["outcome"] != ssh["outcome"]
    name = {"target": "10.20.10.1", "user": "watch", "auth": "sha256", "priv": "aes128", "oid": "1.3.6.1.2.1.1.5.0"}
    got = world.endpoint.ask("snmp_get", **name, auth_key="watch and learn", priv_key="keep it private")
    assert got["value"] == "kiosk-north", got
    bad = world.endpoint.ask("snmp_get", **name, auth_key="guess and fail", priv_key="keep it private")
    assert bad["outcome"] != got["outcome"]


def test_outage_keeps_the_tunnel_coming_back_and_the_logs(world):
    ups = len(world.router.find("tunnel.up"))
    world.router.ask("uplink", there=False)
    world.router.wait("tunnel.down")
    world.router.exec(
        "python3", "-c", "import syslog; syslog.openlog('witness'); syslog.syslog(3, 'during the outage')"
    )
    assert world.client1.ask("ping", target="10.200.0.10", count=1, timeout_s=1.5)["received"] == 0
    time.sleep(1.0)
    assert not world.endpoint.find("log.received", app="witness")
    began = time.monotonic()
    world.router.ask("uplink", there=True)
    while len(world.router.find("tunnel.up")) == ups and time.monotonic() < began + 20:
        time.sleep(0.02)
    print(f"tunnel back {time.monotonic() - began:.2f} s after the uplink")
    world.endpoint.wait("log.received", 15, app="witness", text="during the outage", severity="err")


def test_a_daemon_that_dies_comes_back_with_the_tunnel(world):
    ups = len(world.router.find("tunnel.up"))
    find = "for p in /proc/[0-9]*; do grep -qx charon-systemd $p/comm && kill -9 ${p#/proc/}; done; true"
    world.router.exec("sh", "-c", find)
    began = time.monotonic()
    while len(world.router.find("tunnel.up")) == ups and time.monotonic() < began + 20:
        time.sleep(0.05)
    print(f"tunnel back {time.monotonic() - began:.2f} s after charon was killed")
    assert len(world.router.find("tunnel.down")) == len(world.router.find("tunnel.up")) - 1
    assert world.client1.ask("ping", target="10.200.0.10", count=4)["received"] >= 3


def test_nothing_of_the_branch_in_clear(world):
    capture = base64.b64decode(world.gateway.ask("fetch", path="/run/capture/inet.pcap")["base64"])
    found = census(capture, ["10.20.0.0/16", "10.200.0.0/24"])
    assert found["clear"] == 0, found
    assert found["esp_udp"] > 0
    assert found["fragments"] == 0
    assert found["esp_outer_max_bytes"] <= WAN_MTU


def test_what_comes_for_a_segment_that_is_gone_goes_nowhere(world):
    """The kernel still translates it back; with the bridge down, its route is the default one: out of the uplink."""
    docker("exec", "-d", world.client1.name, "python3", "-c", SLOW_READER)
    time.sleep(1.0)  # the reader connects, and says nothing of it; the next line sees to it
    assert "198.18.0.50" in world.internet.exec("ss", "-Htn", "state", "established", "sport = :80")
    world.router.exec("ip", "link", "set", "br10", "down")
    time.sleep(1.5)  # the server sends again after some 0.2, 0.4 and 0.8 s (RFC 6298 section 5, with Linux's least RTO)
    world.router.exec("ip", "link", "set", "br10", "up")
    found = world.internet.ask("census", link="inet", inside=["10.20.0.0/16"])
    assert found["clear"] == 0, found


def test_refusal_then_roll_back_to_the_last_good(world):
    world.router.ask("confirm")
    mistaken = dataclasses.replace(CONFIG, tunnel=dataclasses.replace(CONFIG.tunnel, psk="another secret altogether"))
    world.router.ask("apply", document=base64.b64encode(render_config(mistaken)).decode())
    assert world.gateway.wait("sa.refused", 20)["data"]["reason"] == "wrong_psk"
    before = len(world.gateway.find("child.installed"))
    world.router.ask("roll_back", reason="management did not answer")
    deadline = time.monotonic() + 20
    while len(world.gateway.find("child.installed")) == before and time.monotonic() < deadline:
        time.sleep(0.05)
    assert len(world.gateway.find("child.installed")) > before
    assert world.router.exec("stat", "-c", "%a %u", "/flash/config/last_good.json") == "600 0"


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"ike_proposals": ("aes128-sha256-modp3072",)}, "no_ike_proposal"),
        ({"esp_proposals": ("aes128gcm16",)}, "no_esp_proposal"),
        ({"local_id": "kiosk-south.skerry.example"}, "unknown_peer"),
        ({"local_subnets": ("10.99.0.0/24",)}, "traffic_selectors"),
    ],
)
def test_gateway_says_why_it_refuses(world, change, reason):
    mistaken = dataclasses.replace(CONFIG, tunnel=dataclasses.replace(CONFIG.tunnel, **change))
    world.router.ask("apply", document=base64.b64encode(render_config(mistaken)).decode())
    world.gateway.wait("sa.refused", 20, reason=reason)
    print(world.gateway.find("sa.refused", reason=reason)[-1]["data"])


def test_what_cannot_be_started_gives_way(world):
    world.apply(CONFIG)
    no_port = dataclasses.replace(CONFIG.segments[0], ports=(4,))
    bad = dataclasses.replace(CONFIG, segments=(no_port, CONFIG.segments[1]))
    before = len(world.gateway.find("child.installed"))
    with pytest.raises(AssertionError, match="no LAN port 4"):
        world.router.ask("apply", document=base64.b64encode(render_config(bad)).decode())
    deadline = time.monotonic() + 20
    while len(world.gateway.find("child.installed")) == before and time.monotonic() < deadline:
        time.sleep(0.05)
    assert world.client1.ask("ping", target="10.200.0.10", count=3)["received"] >= 2


def test_cbc_suite_is_measured_too(world):
    tunnel = dataclasses.replace(
        CONFIG.tunnel, ike_proposals=("aes256-sha256-modp2048",), esp_proposals=("aes256-sha256",)
    )
    world.apply(dataclasses.replace(CONFIG, tunnel=tunnel))
    world.client1.ask("lease", timeout_s=20)
    assert world.client1.ask("largest", target="10.200.0.10", low=1200, high=1500)["bytes"] == 1358


def test_stop_leaves_nothing(world):
    world.router.ask("stop")
    living = "for p in /proc/[0-9]*; do grep -q 'State:.Z' $p/status || cat $p/comm; done"
    left = world.router.exec("sh", "-c", f"{living}; ip -br link; nft list tables")
    for trace in ("charon", "dnsmasq", "sshd", "snmpd", "rsyslogd", "br10", "ipsec0", "inet branch"):
        assert trace not in left, left


def make_certificates() -> dict[str, str]:
    """Return PEM texts: a CA, and for each end a certificate whose subjectAltName is its identity (RFC 4945 5.1.3)."""
    now = datetime.datetime.now(datetime.UTC)
    texts: dict[str, str] = {}
    ca_key = ec.generate_private_key(ec.SECP256R1())
    ca_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Skerry Line test CA")])

    def sign(subject: x509.Name, key: ec.EllipticCurvePrivateKey, *extensions: x509.ExtensionType) -> str:
        builder = x509.CertificateBuilder().subject_name(subject).issuer_name(ca_name).public_key(key.public_key())
        builder = builder.serial_number(x509.random_serial_number())
        builder = builder.not_valid_before(now - datetime.timedelta(hours=1))
        builder = builder.not_valid_after(now + datetime.timedelta(hours=1))
        for extension in extensions:
            builder = builder.add_extension(extension, critical=isinstance(extension, x509.BasicConstraints))
        return builder.sign(ca_key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM).decode()

    texts["ca"] = sign(ca_name, ca_key, x509.BasicConstraints(ca=True, path_length=0))
    for end, name in (("hq", "hq.skerry.example"), ("branch", "kiosk-north.skerry.example")):
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        texts[end] = sign(subject, key, x509.SubjectAlternativeName([x509.DNSName(name)]))
        form = serialization.PrivateFormat.PKCS8
        texts[f"{end}_key"] = key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption()).decode()
    return texts


def test_certificates():
    ours, others = make_certificates(), make_certificates()
    settings = {
        **TUNNEL_SETTINGS, "method": "certificate", "psk": None, "certificate_pem": ours["hq"],
        "key_pem": ours["hq_key"], "remote_ca_pem": ours["ca"],
    }  # fmt: skip
    bench, nodes = Bench(), {}
    try:
        build(bench, nodes, settings, BLOCKS["certificates"])
        world = World(nodes)
        for texts in (others, ours):
            tunnel = dataclasses.replace(
                CONFIG.tunnel, method="certificate", psk=None, certificate_pem=texts["branch"],
                key_pem=texts["branch_key"], remote_ca_pem=ours["ca"],
            )  # fmt: skip
            config = dataclasses.replace(CONFIG, tunnel=tunnel)
            if texts is others:
                world.router.ask("apply", document=base64.b64encode(render_config(config)).decode())
                world.gateway.wait("sa.refused", 20, reason="untrusted_certificate")
            else:
                world.apply(config)
        assert world.router.ask("ping", target="10.200.0.10", count=3)["received"] >= 2
    finally:
        for node in nodes.values():
            node.close()
        bench.close()
