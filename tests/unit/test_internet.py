"""The internet's command lines, its reading of dnsmasq's log (as dnsmasq 2.90 printed it), its witness, its web."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import ipaddress
import socket

import pytest
from aiohttp.test_utils import TestClient, TestServer
from hypothesis import given
from hypothesis import strategies as st
from scapy.all import ICMP, IP, TCP, UDP, Raw, fragment, raw  # type: ignore[attr-defined]

from emulators.common.dnsmasq_log import DnsmasqLog, LeaseGranted, NameAnswered, parse_duration
from emulators.common.packet_watch import HEAD_BYTES, FirstPacket, PacketWatch, build_filter, parse_packet
from emulators.internet.daemons import FixedLine, build_dnsmasq, read_fixed_line
from emulators.internet.web import build_app, digest_pattern, pattern

LOG = """dnsmasq[17]: 1 198.18.64.105/38760 query[A] mgmt.skerry.example from 198.18.64.105
dnsmasq[17]: 1 198.18.64.105/38760 config mgmt.skerry.example is 198.18.0.20
dnsmasq[17]: 2 198.18.64.105/51827 config x.mgmt.skerry.example is NXDOMAIN
dnsmasq[17]: 5 198.18.64.105/42188 config mgmt.skerry.example is NODATA-IPv6
dnsmasq[17]: 6 100.64.0.2/42188 forwarded mgmt.skerry.example to 198.18.0.1
dnsmasq[17]: 6 100.64.0.2/42188 reply mgmt.skerry.example is 198.18.0.20
dnsmasq[17]: 7 100.64.0.2/42188 cached mgmt.skerry.example is 198.18.0.20
dnsmasq-dhcp[17]: 1478889819 DHCPOFFER(fixed) 198.18.64.105 02:42:c6:13:07:03 
dnsmasq-dhcp[17]: 1478889819 sent size:  4 option: 51 lease-time  10m
dnsmasq-dhcp[17]: 1478889819 DHCPREQUEST(fixed) 198.18.64.105 02:42:c6:13:07:03 
dnsmasq-dhcp[17]: 1478889819 DHCPACK(fixed) 198.18.64.105 02:42:c6:13:07:03 
dnsmasq-dhcp[17]: 1478889819 requested options: 58:T1, 59:T2
dnsmasq-dhcp[17]: 1478889819 sent size:  4 option: 51 lease-time  10m
dnsmasq-dhcp[17]: 1478889819 sent size:  4 option: 58 T1  5m
"""  # noqa: W291 - the blanks at the ends are dnsmasq's


def test_the_log_tells_answers_and_leases():
    log = DnsmasqLog()
    said = [found for line in LOG.splitlines() if (found := log.feed(line))]
    assert said == [
        NameAnswered("198.18.64.105", "mgmt.skerry.example", "198.18.0.20"),
        NameAnswered("198.18.64.105", "x.mgmt.skerry.example", None),
        NameAnswered("100.64.0.2", "mgmt.skerry.example", "198.18.0.20"),
        NameAnswered("100.64.0.2", "mgmt.skerry.example", "198.18.0.20"),
        LeaseGranted("fixed", "02:42:c6:13:07:03", "198.18.64.105", 600),
    ]


@pytest.mark.parametrize(("text", "seconds"), [("10m", 600), ("8m45s", 525), ("1d2h", 93600), ("infinite", 4294967295)])
def test_durations(text, seconds):
    assert parse_duration(text) == seconds


@given(st.text(max_size=80))
def test_any_line_is_read_or_left(line):
    DnsmasqLog().feed(line)


def test_names_go_into_options_whole_or_not_at_all():
    line = FixedLine("198.18.64.1", "198.18.64.100", "198.18.64.110", 600)
    argv = build_dnsmasq({"mgmt.skerry.example": "198.18.0.20"}, ["198.18.0.1"], line)
    assert "--host-record=mgmt.skerry.example,198.18.0.20" in argv
    assert "--dhcp-range=198.18.64.100,198.18.64.110,255.255.255.0,600" in argv
    assert not any(a.startswith(("--server", "--resolv-file")) for a in argv)  # nobody is ever asked
    assert not any("dhcp" in a for a in build_dnsmasq({}, ["198.18.0.1"], None) if a != "--log-dhcp")
    for bad in ("a,198.18.0.66", "", "a b", "ä.example"):
        with pytest.raises(ValueError, match="host name"):
            build_dnsmasq({bad: "198.18.0.20"}, [], None)


def test_the_fixed_line_is_read_strictly():
    given_line = {"gateway": "198.18.64.1", "first": "198.18.64.110", "last": "198.18.64.100", "lease_s": 600}
    with pytest.raises(ValueError, match="first <= last"):
        read_fixed_line({"fixed_line": given_line})
    assert read_fixed_line({"fixed_line": None}) is None


# ---------------------------------------------------------------- the witness of addresses


def test_first_packets_are_read_as_scapy_builds_them():
    ends = {"src": "198.18.64.105", "dst": "198.18.0.20"}
    assert parse_packet(raw(IP(**ends) / TCP(dport=443))) == FirstPacket(*ends.values(), "tcp", 443)
    assert parse_packet(raw(IP(**ends) / UDP(dport=4500))[:HEAD_BYTES]) == FirstPacket(*ends.values(), "udp", 4500)
    assert parse_packet(raw(IP(**ends) / ICMP())) == FirstPacket(*ends.values(), "icmp", None)
    assert parse_packet(raw(IP(**ends, proto=50) / Raw(bytes(40)))) == FirstPacket(*ends.values(), "esp", None)
    later = fragment(IP(**ends) / UDP(dport=53) / Raw(bytes(2000)))[1]
    assert parse_packet(raw(later)) == FirstPacket(*ends.values(), "udp", None)
    assert parse_packet(b"\x60" + bytes(39)) is None


@given(st.binary(max_size=80))
def test_any_head_is_read_or_left(packet):
    parse_packet(packet)


def run_filter(program, packet: bytes) -> int:
    """Interpret the classic BPF instructions used (net/core/filter.c: ld abs word, and, jeq, ret)."""
    at, accumulator = 0, 0
    while True:
        code, jump_true, jump_false, k = program[at]
        at += 1
        if code == 0x20:
            accumulator = int.from_bytes(packet[k : k + 4], "big")
        elif code == 0x54:
            accumulator &= k
        elif code == 0x15:
            at += jump_true if accumulator == k else jump_false
        else:
            return k


@given(st.lists(st.ip_addresses(v=4), max_size=20), st.ip_addresses(v=4), st.integers(0, 32))
def test_the_filter_drops_known_sources_only(known, source, prefix):
    networks = [ipaddress.IPv4Network((int(known[0]) if known else 0, prefix), strict=False)] if known else []
    networks += [ipaddress.IPv4Network(k) for k in known]
    passed = run_filter(build_filter(networks), raw(IP(src=str(source), dst="198.18.0.1")))
    assert bool(passed) == (not any(source in network for network in networks))


def test_the_kernel_takes_the_filter_and_tells_each_source_once():
    """On loopback, where a packet socket sees both directions; needs to be root, as the lab's tests do."""
    first: list[FirstPacket] = []
    watch = PacketWatch("lo", first.append, ["127.66.0.0/24"]).start()
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as target:
            target.bind(("127.77.0.1", 0))
            for source in ("127.66.0.9", "127.77.0.2", "127.77.0.2", "127.77.0.3"):
                with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
                    line.bind((source, 0))
                    for _ in range(50):
                        line.sendto(b"x", target.getsockname())
            wait_until(lambda: any(f.source == "127.77.0.3" for f in first))
            port = target.getsockname()[1]
    finally:
        watch.stop()
    ours = [f for f in first if f.source.startswith(("127.66.", "127.77."))]
    assert ours == [FirstPacket(f"127.77.0.{n}", "127.77.0.1", "udp", port) for n in (2, 3)]


def wait_until(holds, timeout_s: float = 5.0) -> None:
    import time

    deadline = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.01)


# ---------------------------------------------------------------- the web


@pytest.mark.parametrize("count", [0, 1, 65536, 65537, 200_000])
def test_the_web_gives_what_its_digest_says(count):
    async def scenario() -> tuple[int, bytes, str]:
        async with TestClient(TestServer(build_app(["web.skerry.example"]))) as client:
            answer = await client.get(f"/bytes/{count}", headers={"Host": "web.skerry.example"})
            return answer.status, await answer.read(), answer.headers["Repr-Digest"]

    status, body, digest = asyncio.run(scenario())
    assert (status, len(body)) == (200, count)
    # RFC 9530 section 3 and RFC 9651 section 3.3.5: sha-256=:BASE64:
    assert digest == f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:" == digest_pattern(count)
    assert body == b"".join(pattern(count))


def test_other_names_are_misdirected():
    async def scenario() -> list[int]:
        async with TestClient(TestServer(build_app(["web.skerry.example"]))) as client:
            hosts = ("web.skerry.example", "web.skerry.example:80", "198.18.0.1", "other.example")
            return [(await client.get("/", headers={"Host": host})).status for host in hosts]

    assert asyncio.run(scenario()) == [200, 200, 200, 421]  # RFC 9110 section 15.5.20
