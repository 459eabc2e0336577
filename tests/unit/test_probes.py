"""The probes' pure parts, and those that loopback can serve for real (TCP, HTTP, DNS by dnspython's own codec)."""

from __future__ import annotations

import http.server
import socket
import threading

import dns.message
import dns.rrset
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from hypothesis import given
from hypothesis import strategies as st
from scapy.all import ICMP, IP, Raw, raw  # type: ignore[attr-defined]

from emulators.common import probes, probes_snmp, probes_ssh
from emulators.common.icmp_echo import Answer, build_echo, checksum, find_largest, parse_answer

# ---------------------------------------------------------------- ICMP: scapy is the reference


@pytest.mark.parametrize("size", [28, 29, 84, 576, 1500])
def test_our_echo_is_the_one_scapy_builds(size):
    reference = raw(ICMP(type=8, id=0x1234, seq=7) / Raw(bytes(size - 28)))
    assert build_echo(0x1234, 7, size) == reference


def test_the_checksum_is_that_of_rfc_1071():
    # RFC 1071 section 3: the octets 00 01 f2 03 f4 f5 f6 f7 add up to ddf2, the checksum is its complement
    assert checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0xDDF2 ^ 0xFFFF


def test_answers_are_read():
    reply = raw(IP(src="10.60.0.10") / ICMP(type=0, id=9, seq=3) / Raw(bytes(56)))
    assert parse_answer(reply) == Answer("reply", 9, 3, 84)
    sent = raw(IP(dst="10.60.0.10", flags="DF", len=1500) / ICMP(type=8, id=9, seq=4))
    # RFC 1191 section 4: next-hop MTU in the low 16 bits of the word that RFC 792 left unused
    too_big = raw(IP(src="10.61.1.1") / ICMP(type=3, code=4, nexthopmtu=1358) / Raw(sent))
    assert parse_answer(too_big) == Answer("too_big", 9, 4, 1500, 1358)
    broken = bytearray(reply)
    broken[30] ^= 1
    assert parse_answer(bytes(broken)) is None
    assert parse_answer(raw(IP() / ICMP(type=3, code=1) / Raw(sent))) is None


@given(st.binary(max_size=120))
def test_any_packet_gives_an_answer_or_none(packet):
    parse_answer(packet)


@given(st.integers(28, 3000), st.integers(28, 3000), st.integers(20, 3100))
def test_the_search_finds_the_limit(low, high, limit):
    low, high = sorted((low, high))
    search = find_largest(lambda size: size <= limit, low, high)
    assert search.largest_bytes == (0 if limit < low else min(limit, high))
    sizes = dict(search.tried)
    if low <= limit < high:
        assert sizes[limit] and not sizes[limit + 1]


@given(st.integers(577, 1499), st.integers(0, 12))
def test_a_size_lost_by_chance_does_not_lower_the_result(limit, unlucky):
    asked = []

    def crosses(size: int) -> bool:
        asked.append(size)
        return size <= limit and len(asked) != unlucky + 2  # one size that would cross is lost; never the first

    assert find_largest(crosses, 576, 1500).largest_bytes == limit


# ---------------------------------------------------------------- ping: iputils 20221126's own words

PING = """PING 10.60.0.10 (10.60.0.10) 56(84) bytes of data.
64 bytes from 10.60.0.10: icmp_seq=1 ttl=62 time=41.3 ms
64 bytes from 10.60.0.10: icmp_seq=2 ttl=62 time=40.9 ms
64 bytes from 10.60.0.10: icmp_seq=2 ttl=62 time=41.0 ms (DUP!)

--- 10.60.0.10 ping statistics ---
3 packets transmitted, 2 received, +1 duplicates, 33.3333% packet loss, time 401ms
rtt min/avg/max/mdev = 40.900/41.100/41.300/0.200 ms
"""
TOO_BIG = """PING 10.60.0.10 (10.60.0.10) 1472(1500) bytes of data.
From 10.61.1.1 icmp_seq=1 Frag needed and DF set (mtu = 1366)

--- 10.60.0.10 ping statistics ---
1 packets transmitted, 0 received, +1 errors, 100% packet loss, time 0ms
"""


def test_ping_output_is_read():
    assert probes.parse_ping(PING) == {"sent": 3, "received": 2, "rtts_ms": [41.3, 40.9], "note": None}
    too_big = probes.parse_ping(TOO_BIG)
    assert (too_big["sent"], too_big["received"], too_big["rtts_ms"]) == (1, 0, [])
    assert too_big["note"].endswith("Frag needed and DF set (mtu = 1366)")
    unreachable = probes.parse_ping("", "ping: connect: Network is unreachable\n")
    assert (unreachable["sent"], unreachable["received"]) == (0, 0)
    with pytest.raises(probes.ProbeError, match="expected ping's count"):
        probes.parse_ping("", "ping: socket: Operation not permitted")


@pytest.mark.parametrize("args", [{"target": "-f"}, {"target": "10.60.0.10; id"}, {"target": "10.1.1.1", "bytes": 27}])
def test_ping_takes_addresses_and_sizes_only(args):
    with pytest.raises(ValueError, match=r"Expected 4 octets|Only decimal|expected at least 28"):
        probes.ping(**args)


# ---------------------------------------------------------------- TCP, HTTP and DNS on loopback


class _Pages(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_GET(self):
        body = self.headers["Host"].encode() + b" " + self.path.encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body) + (10 if self.path == "/cut" else 0)))
        self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *args):
        pass


@pytest.fixture
def web():
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Pages) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server.server_port
        server.shutdown()
        thread.join()


def test_a_page_is_fetched_from_the_address_of_its_name(web):
    host = f"web.skerry.example:{web}"
    result = probes.fetch(f"http://{host}/a?b=1", 3, lambda name, _: {"web.skerry.example": "127.0.0.1"}[name])
    # SHA-256 of the body by `printf 'web.skerry.example:PORT /a?b=1' | sha256sum`, here by hashlib
    import hashlib

    body = f"{host} /a?b=1".encode()
    assert (result["status"], result["bytes"], result["error"]) == (200, len(body), None)
    assert result["sha256"] == hashlib.sha256(body).hexdigest()


def test_a_body_cut_short_is_an_error(web):
    result = probes.fetch(f"http://127.0.0.1:{web}/cut", 3, lambda host, _: host)
    assert result["status"] == 200
    assert "IncompleteRead" in result["error"]


def test_ports_are_open_refused_or_silent():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        assert probes.open_tcp("127.0.0.1", port)["outcome"] == "open"
    assert probes.open_tcp("127.0.0.1", port)["outcome"] == "refused"
    assert probes.classify_connect_error(TimeoutError()) == "silent"


def test_a_lost_question_is_asked_again_and_rcodes_are_told(monkeypatch):
    monkeypatch.setattr(probes, "DNS_TRY_S", 0.1)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.53", 53))

        def serve() -> None:
            server.recvfrom(512)  # the first is lost
            for address in ("198.18.0.20", None):
                data, client = server.recvfrom(512)
                query = dns.message.from_wire(data)
                answer = dns.message.make_response(query)
                if address:
                    answer.answer.append(dns.rrset.from_text(query.question[0].name, 60, "IN", "A", address))
                else:
                    answer.set_rcode(3)
                server.sendto(answer.to_wire(), client)

        thread = threading.Thread(target=serve)
        thread.start()
        known = probes.resolve("mgmt.skerry.example", "127.0.0.53", 3)
        unknown = probes.resolve("nowhere.example", "127.0.0.53", 3)
        thread.join()
        silent = probes.resolve("mgmt.skerry.example", "127.0.0.53", 0.3)
    assert known == {"addresses": ["198.18.0.20"], "rcode": "NOERROR"}
    assert unknown == {"addresses": [], "rcode": "NXDOMAIN"}
    assert silent == {"addresses": [], "rcode": "TIMEOUT"}


def test_without_a_name_server_a_name_is_not_resolved():
    assert probes.find_address("10.60.0.10", (), 1) == "10.60.0.10"
    with pytest.raises(LookupError, match="no name server"):
        probes.find_address("web.skerry.example", (), 1)


def test_every_verb_of_the_contract_is_offered():
    always = {"ping", "largest", "fetch_url", "open_tcp", "resolve", "ask_names"}
    assert always | set(probes.OPTIONAL) <= set(probes.build_probes())


# ---------------------------------------------------------------- keys and words of the libraries


@pytest.mark.parametrize("make", [
    ed25519.Ed25519PrivateKey.generate,
    lambda: ec.generate_private_key(ec.SECP256R1()),
    lambda: rsa.generate_private_key(65537, 2048),
])  # fmt: skip
@pytest.mark.parametrize("form", [serialization.PrivateFormat.PKCS8, serialization.PrivateFormat.OpenSSH])
def test_operator_keys_of_any_kind_are_read(make, form):
    key = make()
    pem = key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption()).decode()
    public = key.public_key().public_bytes(serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH)
    loaded = probes_ssh.load_key(pem)
    assert f"{loaded.get_name()} {loaded.get_base64()}" == public.decode()


def test_snmp_errors_have_words_and_the_library_still_has_their_names():
    from pysnmp.proto import errind

    for name in probes_snmp.OUTCOMES:
        assert hasattr(errind, name), name
    assert probes_snmp.classify("RequestTimedOut") == "timeout"
    assert probes_snmp.classify("NotInTimeWindow") == "not_in_time_window"
