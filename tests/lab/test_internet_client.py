"""A client on the internet's fixed line, for real: dnsmasq, chronyd, udhcpc, sshd, snmpd and the kernel's own path MTU.

    client1 --(fixed: DHCP)-- internet (forwards) --(inet)-- server (Debian's sshd and snmpd)
"""

from __future__ import annotations

import base64
import hashlib

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ed25519
from lab_nodes import ROOT, Bench, Node, docker

from emulators.common.census import census

pytestmark = pytest.mark.lab

ZONES = {"mgmt.skerry.example": "198.18.0.20", "web.skerry.example": "198.18.0.1"}
SERVER = "198.18.0.20"
CODE = ["-v", f"{ROOT}/emulators:/opt/branchproof/emulators:ro"]
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
    fixed, inet = bench.network("198.19.7.0/28"), bench.network("198.19.7.16/28")
    base = ("NET_ADMIN", "NET_RAW")
    server = bench.container(
        "branchproof/router:bench", {inet: "198.19.7.20"},
        (*base, "NET_BIND_SERVICE", "SYS_CHROOT", "SETUID", "SETGID"), "sleep 100000",
    ) if False else None  # fmt: skip
    server = start_server(bench, inet)
    internet = bench.container(
        "branchproof/internet:bench", {fixed: "198.19.7.4", inet: "198.19.7.21"},
        (*base, "NET_BIND_SERVICE", "SETUID", "SETGID"), *CODE, "--sysctl", "net.ipv4.ip_forward=1",
    )  # fmt: skip
    client = bench.container("branchproof/client:bench", {fixed: "198.19.7.5"}, base, *CODE)
    line = {"gateway": "198.18.64.1", "first": "198.18.64.100", "last": "198.18.64.110", "lease_s": 600}
    started = {
        "internet": Node(internet, {
            "format": 1, "run": "t", "node": "internet",
            "links": [link("fixed", "198.19.7.4", ["198.18.64.1/24"]), link("inet", "198.19.7.21", ["198.18.0.1/24"])],
            "settings": {"zones": ZONES, "fixed_line": line, "web": ["web.skerry.example"]},
        }),
        "client": Node(client, {
            "format": 1, "run": "t", "node": "client1", "links": [link("lan1", "198.19.7.5", [])],
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
    name = bench.container("branchproof/router:bench", {inet: "198.19.7.20"}, caps, "sleep-forever")
    return name
