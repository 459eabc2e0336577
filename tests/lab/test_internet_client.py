"""A client on the internet's fixed line, for real: dnsmasq, chronyd, udhcpc, sshd, snmpd and the kernel's own path MTU.

client1 --(fixed: DHCP)-- internet (forwards) --(inet)-- server (Debian's sshd and snmpd)
"""

from __future__ import annotations

import base64
import hashlib

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ed25519
from lab_nodes import BLOCKS, ROOT, Bench, Node, docker

from emulators.common.census import census

pytestmark = pytest.mark.lab

ZONES = {"mgmt.skerry.example": "198.18.0.20", "web.skerry.example": "198.18.0.1"}
SERVER = "198.18.0.20"
CODE = ("-v", f"{ROOT}/emulators:/opt/branchproof/emulators:ro")
SSHD = """Port 22
HostKey /run/host_key
PidFile none
UsePAM no
StrictModes no
PasswordAuthentication no
PermitRootLogin prohibit-password
AuthorizedKeysFile /run/authorized_keys
"""
SNMPD = """agentaddress udp:161
createUser watch SHA-256 "correct horse" AES "battery staple"
createUser older SHA "correct horse" AES "battery staple"
rouser watch authpriv
rouser older authpriv
sysName pier-kiosk
"""
BLOCK = BLOCKS["internet"]
OPERATOR = ed25519.Ed25519PrivateKey.generate()
STRANGER = ed25519.Ed25519PrivateKey.generate()


def pem(key: ed25519.Ed25519PrivateKey) -> str:
    encoding, form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
    return key.private_bytes(encoding, form, serialization.NoEncryption()).decode()


def link(name: str, nominal: str, addresses: list[str], routes: list[dict[str, str]] | None = None) -> dict:
    return {"name": name, "mac": "", "nominal": nominal, "addresses": addresses, "routes": routes or []}


@pytest.fixture(scope="module")
def bench():
    made = Bench()
    yield made
    made.close()


@pytest.fixture(scope="module")
def nodes(bench):
    fixed, inet = bench.network(f"{BLOCK}.0/28"), bench.network(f"{BLOCK}.16/28")
    base = ("NET_ADMIN", "NET_RAW")
    server = start_server(bench, inet)
    internet = bench.container(
        "branchproof/internet:bench", {fixed: f"{BLOCK}.4", inet: f"{BLOCK}.21"},
        (*base, "NET_BIND_SERVICE", "SETUID", "SETGID"), (*CODE, "--sysctl", "net.ipv4.ip_forward=1"),
    )  # fmt: skip
    client = bench.container("branchproof/client:bench", {fixed: f"{BLOCK}.5"}, base, CODE)
    line = {"gateway": "198.18.64.1", "first": "198.18.64.100", "last": "198.18.64.110", "lease_s": 600}
    started = {
        "internet": Node(internet, {
            "format": 1, "run": "t", "node": "internet",
            "links": [link("fixed", f"{BLOCK}.4", ["198.18.64.1/24"]), link("inet", f"{BLOCK}.21", ["198.18.0.1/24"])],
            "settings": {"zones": ZONES, "fixed_line": line, "web": ["web.skerry.example"]},
        }),
        "client": Node(client, {
            "format": 1, "run": "t", "node": "client1", "links": [link("lan1", f"{BLOCK}.5", [])],
            "settings": {"segment": "crew", "port": 1},
        }),
    }  # fmt: skip
    for node in started.values():
        node.wait("node.ready")
    yield {**started, "server": server}
    for node in started.values():
        node.close()


def start_server(bench: Bench, inet: str) -> str:
    """A bare machine with Debian's own sshd and snmpd (they are in the router's image)."""
    caps = ("NET_ADMIN", "NET_RAW", "NET_BIND_SERVICE", "SYS_CHROOT", "SETUID", "SETGID")
    name = bench.container("branchproof/router:bench", {inet: f"{BLOCK}.20"}, caps, command=("sleep", "100000"))
    docker("start", name)
    public = OPERATOR.public_key().public_bytes(serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH)
    for path, text in (("authorized_keys", public.decode() + "\n"), ("sshd.conf", SSHD), ("snmpd.conf", SNMPD)):
        docker("exec", "-i", name, "sh", "-c", f"cat > /run/{path}", text=text)
    run = """
        ip addr flush dev eth0; ip addr add 198.18.0.20/24 dev eth0; ip route replace default via 198.18.0.1
        ssh-keygen -q -t ed25519 -N '' -f /run/host_key; mkdir -p /run/sshd
        /usr/sbin/sshd -D -e -f /run/sshd.conf > /run/sshd.log 2>&1 &
        SNMP_PERSISTENT_DIR=/run/snmp snmpd -f -Lo -C -c /run/snmpd.conf > /run/snmpd.log 2>&1 &
    """
    docker("exec", "-d", name, "sh", "-c", run + "wait")
    return name


def test_the_lease_has_the_timers_of_rfc_2131(nodes):
    lease = nodes["client"].ask("lease", timeout_s=10)
    assert lease["address"].startswith("198.18.64.1")
    assert (lease["prefix"], lease["router"], lease["dns"]) == (24, "198.18.64.1", ["198.18.64.1"])
    # RFC 2131 section 4.4.5: T1 is 0.5 and T2 0.875 of the lease, each with some fuzz downwards by this server
    assert lease["lease_s"] == 600
    assert 600 / 2 - 600 / 16 <= lease["t1_s"] <= 300
    assert 525 - 600 / 16 <= lease["t2_s"] <= 525
    assert nodes["client"].wait("lease.obtained")["data"] == lease
    granted = nodes["internet"].wait("dhcp.leased", address=lease["address"])["data"]
    assert granted["lease_s"] == 600
    again = nodes["client"].ask("lease", timeout_s=10)
    assert again["address"] == lease["address"]  # RFC 2131 section 4.3.1: the client's previous address, if it is free


@pytest.fixture(scope="module")
def client(nodes):
    nodes["client"].ask("lease", timeout_s=10)
    return nodes["client"]


def test_ping_sizes_are_those_of_the_ipv4_packet(nodes, client):
    result = client.ask("ping", target=SERVER, count=3, interval_s=0.05, bytes=1500, df=True, timeout_s=1)
    assert (result["sent"], result["received"], len(result["rtts_ms"])) == (3, 3, 3)
    assert all(0 < rtt < 1000 for rtt in result["rtts_ms"])
    nobody = client.ask("ping", target="198.18.0.99", count=2, interval_s=0.05, timeout_s=1)
    assert (nobody["sent"], nobody["received"]) == (2, 0)


def test_first_packets_are_witnessed_on_each_link(nodes, client):
    client.ask("ping", target=SERVER, count=1, timeout_s=1)
    address = client.ask("lease", timeout_s=10)["address"]
    seen = nodes["internet"].wait("address.seen", source=address)["data"]
    assert seen["link"] == "fixed"
    assert nodes["internet"].wait("address.seen", source=SERVER)["data"]["link"] == "inet"
    assert len(nodes["internet"].find("address.seen", source=address)) == 1
    assert not nodes["internet"].find("address.seen", source="198.18.0.1")


def test_the_largest_packet_is_found_behind_a_smaller_link(nodes, client):
    assert client.ask("largest", target=SERVER, low=576, high=1500)["bytes"] == 1500
    for mtu in (1358, 1400, 1280):  # up and down: what the kernel learnt of the path must not matter
        nodes["internet"].exec("ip", "link", "set", "inet", "mtu", str(mtu))
        found = client.ask("largest", target=SERVER, low=576, high=1500)
        assert found["bytes"] == mtu
        assert [mtu, True] in found["tried"] and [mtu + 1, False] in found["tried"]
        assert found["next_hop_mtus"] == [mtu]  # RFC 1191 section 4
    # a black hole (RFC 2923 section 2.1): the reports of the router in the middle do not come through
    nodes["internet"].exec("nft", "add table ip hole; add chain ip hole out { type filter hook output priority 0; }")
    nodes["internet"].exec("nft", "add rule ip hole out icmp type destination-unreachable drop")
    try:
        silent = client.ask("largest", target=SERVER, low=1270, high=1290, timeout_s=0.5)
        assert (silent["bytes"], silent["next_hop_mtus"]) == (1280, [])
    finally:
        nodes["internet"].exec("nft", "delete table ip hole")
        nodes["internet"].exec("ip", "link", "set", "inet", "mtu", "1500")
    assert client.ask("largest", target="198.18.0.99", low=576, high=600, timeout_s=0.5)["bytes"] == 0


def test_names_are_answered_or_do_not_exist(nodes, client):
    known = client.ask("resolve", name="mgmt.skerry.example")
    assert (known["addresses"], known["rcode"]) == (["198.18.0.20"], "NOERROR")
    unknown = client.ask("resolve", name="nowhere.skerry.example", server="198.18.0.1", timeout_s=3)
    assert (unknown["addresses"], unknown["rcode"]) == ([], "NXDOMAIN")  # RFC 1035 section 4.1.1: name error
    silent = client.ask("resolve", name="mgmt.skerry.example", server="198.18.0.99", timeout_s=1.5)
    assert silent["rcode"] in ("TIMEOUT", "UNREACHABLE")
    nodes["internet"].wait("name.answered", name="mgmt.skerry.example", address="198.18.0.20")
    nodes["internet"].wait("name.answered", name="nowhere.skerry.example", address=None)


def test_time_is_served(nodes, client):
    ask = (
        "import socket,struct;s=socket.socket(socket.AF_INET,socket.SOCK_DGRAM);s.settimeout(2);"
        "s.sendto(b'\x23'+bytes(47),('198.18.0.1',123));a=s.recv(99);print(a[0]>>6,a[1],struct.unpack('!I',a[40:44])[0])"
    )
    leap, stratum, seconds = map(int, client.exec("python3", "-c", ask).split())
    assert (leap, stratum) == (0, 1)  # RFC 5905 section 7.3
    # RFC 5905 section 6: the era began 2208988800 s before 1970
    assert abs(seconds - 2208988800 - nodes["internet"].ask("clock")["realtime_ns"] / 1e9) < 2


def test_the_web_gives_whole_bodies(client):
    count = 300_000
    expected = hashlib.sha256((bytes(range(256)) * (count // 256 + 1))[:count]).hexdigest()
    result = client.ask("fetch_url", url=f"http://web.skerry.example/bytes/{count}")
    assert (result["status"], result["bytes"], result["sha256"], result["error"]) == (200, count, expected, None)
    assert client.ask("fetch_url", url="http://mgmt.skerry.example/", timeout_s=2)["status"] == 0  # nobody listens
    assert client.ask("fetch_url", url="http://nowhere.example/", timeout_s=2)["error"].endswith("NXDOMAIN")


def test_tcp_ports_are_open_refused_or_silent(nodes, client):
    assert client.ask("open_tcp", target=SERVER, port=22)["outcome"] == "open"
    assert client.ask("open_tcp", target=SERVER, port=23)["outcome"] == "refused"
    nodes["internet"].exec("nft", "add table ip wall; add chain ip wall f { type filter hook forward priority 0; }")
    nodes["internet"].exec("nft", "add rule ip wall f tcp dport 22 drop")
    try:
        assert client.ask("open_tcp", target=SERVER, port=22, timeout_s=1)["outcome"] == "silent"
    finally:
        nodes["internet"].exec("nft", "delete table ip wall")


def test_ssh_tells_who_gets_in(nodes, client):
    done = client.ask("ssh", target=SERVER, port=22, user="root", key_pem=pem(OPERATOR), command="echo at $HOME")
    assert (done["outcome"], done["output"].strip(), done["exit_status"]) == ("connected", "at /root", 0)
    public = docker("exec", nodes["server"], "cat", "/run/host_key.pub")
    assert public.startswith(done["host_key"])
    assert client.ask("ssh", target=SERVER, user="root", key_pem=pem(STRANGER))["outcome"] == "auth_failed"
    assert client.ask("ssh", target=SERVER, user="root", password="admin")["outcome"] == "auth_failed"
    assert client.ask("ssh", target=SERVER, user="root")["outcome"] == "auth_failed"
    assert client.ask("ssh", target=SERVER, port=23, user="root")["outcome"] == "refused"
    assert client.ask("ssh", target="198.18.0.1", port=80, user="root", timeout_s=3)["outcome"] == "broken"


@pytest.mark.parametrize(("user", "auth"), [("watch", "sha256"), ("older", "sha")])
def test_snmp_reads_with_the_right_keys_only(client, user, auth):
    good = {"target": SERVER, "user": user, "auth": auth, "auth_key": "correct horse", "priv": "aes128",
            "priv_key": "battery staple", "oid": "1.3.6.1.2.1.1.5.0", "timeout_s": 3}  # fmt: skip
    assert client.ask("snmp_get", **good)["value"] == "pier-kiosk"
    assert client.ask("snmp_get", **good | {"auth_key": "incorrect horse"})["outcome"] == "wrong_digest"
    assert client.ask("snmp_get", **good | {"user": "nobody"})["outcome"] == "unknown_user"
    # RFC 3414 section 3.2 (8) has a report for this; net-snmp's agent drops what it cannot read and says nothing
    assert client.ask("snmp_get", **good | {"priv_key": "wrong staple"})["outcome"] in ("decryption_error", "timeout")
    assert client.ask("snmp_get", **good | {"oid": "1.3.6.1.4.1.32473.1.0"})["outcome"] == "no_such_object"
    assert client.ask("snmp_get", **good | {"target": "198.18.0.99", "timeout_s": 1})["outcome"] == "timeout"


def test_captures_are_handed_out_and_counted(nodes, client):
    before = nodes["internet"].ask("census", link="fixed", inside=["198.18.64.0/24"])
    client.ask("ping", target=SERVER, count=4, interval_s=0.02, timeout_s=1)
    after = nodes["internet"].ask("census", link="fixed", inside=["198.18.64.0/24"])
    assert after["other"]["icmp/8"] - before["other"].get("icmp/8", 0) == 4
    assert after["other"]["icmp/0"] - before["other"].get("icmp/0", 0) == 4
    fetched = base64.b64decode(nodes["internet"].ask("fetch", path="/run/capture/fixed.pcap")["base64"])
    assert census(fetched, [])["packets"] >= after["packets"]
    assert census(fetched, [])["other"]["udp/67"] >= 4  # DISCOVER, OFFER, REQUEST, ACK (RFC 2131 section 3.1)
