"""The web filter without a lab: what the router's daemons are told, what names it is tried with, how DNS is read."""

from __future__ import annotations

import base64
import contextlib
import dataclasses
import ipaddress
import socket
import threading

import dns.exception
import dns.message
import dns.rdatatype
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.common.controls import Reach, WebCategory, WebFilter
from emulators.common.device_config import DeviceConfig, DhcpRange, Management, Segment, Tunnel, Uplinks
from emulators.common.probes_names import ask_names, read_answer
from emulators.router.runtime.apply.base import ApplyError, Situation
from emulators.router.runtime.apply.check import check_config
from emulators.router.runtime.apply.parts import names, web_filter
from harness.core import web_names

FILTER = WebFilter(
    ("guest",),
    (WebCategory("gambling", ("bets.example", ".cards.example")), WebCategory("dating", ("Hearts.example",))),
    "nxdomain",
    ("doh.example", "198.18.0.54"),
)


def segment(name: str, vlan: int, port: int) -> Segment:
    pool = DhcpRange(f"10.20.{vlan}.9", f"10.20.{vlan}.90", 900)
    return Segment(name, vlan, (port,), f"10.20.{vlan}.1/24", pool, (Reach("internet"),))


CONFIG = DeviceConfig(
    format=1,
    site="north-pier",
    hostname="kiosk-north",
    segments=(segment("crew", 10, 1), segment("guest", 30, 2)),
    uplinks=Uplinks(("cellular",), None),
    tunnel=Tunnel(
        "hq.skerry.example", "a.skerry.example", "hq.skerry.example", ("aes256-sha256-ecp256",), ("aes256-sha256",),
        ("10.20.10.0/24",), ("10.200.0.0/24",), 10, "psk", "a long secret",
    ),
    time_servers=(),
    name_servers=("198.18.0.1",),
    logging=None,
    monitoring=None,
    administration=None,
    management=Management(("ztp.skerry.example:443",), 10.0, 60.0),
    web_filter=FILTER,
)  # fmt: skip
SITUATION = Situation(None, "kernel", 1366)


def change(**changes: object) -> DeviceConfig:
    return dataclasses.replace(CONFIG, web_filter=dataclasses.replace(FILTER, **changes))


# ---------------------------------------------------------------- what the daemons are told


def test_two_resolvers_share_the_segments():
    forwarding = names.render(CONFIG, SITUATION)[names.CONF].splitlines()
    filtering = web_filter.render(CONFIG, SITUATION)[web_filter.CONF]
    assert [line for line in forwarding if line.startswith("listen")] == [
        "listen-address=127.0.0.1",
        "listen-address=10.20.10.1",
    ]
    assert [line.strip() for line in filtering.splitlines() if "interface:" in line] == ["interface: 10.20.30.1"]
    assert "forward-addr: 127.0.0.1" in filtering
    assert names.render(CONFIG, SITUATION)[names.SERVERS] == "server=198.18.0.1\n"


def test_without_a_filter_one_resolver_has_all():
    plain = dataclasses.replace(CONFIG, web_filter=None)
    assert not web_filter.render(plain, SITUATION)
    assert not web_filter.render(change(segments=()), SITUATION)
    assert "listen-address=10.20.30.1" in names.render(plain, SITUATION)[names.CONF]


@pytest.mark.parametrize(("answer", "kind"), [("nxdomain", "always_nxdomain"), ("refused", "always_refuse")])
def test_blocked_names_and_those_of_encrypted_resolvers_are_denied(answer, kind):
    text = web_filter.render(change(answer=answer), SITUATION)[web_filter.CONF]
    zones = [line.split() for line in text.splitlines() if "local-zone" in line]
    assert [(zone[1], zone[2]) for zone in zones] == [
        (f'"{name}."', kind) for name in ("bets.example", "cards.example", "hearts.example", "doh.example")
    ]


def test_the_table_refuses_and_never_accepts():
    text = web_filter.render(CONFIG, SITUATION)[web_filter.SCRIPT]
    assert 'iifname { "br30" } meta l4proto { tcp, udp } th dport { 53, 853 } counter goto refusal' in text
    assert "ip daddr @encrypted_resolvers th dport 443" in text
    assert "br10" not in text
    assert " accept\n" not in text.replace("policy accept;", "")


@pytest.mark.parametrize(("changes", "section"), [
    ({"segments": ("crews",)}, "web_filter.segments"),
    ({"blocked": (WebCategory("odd", ('a" always_null',)),)}, "web_filter.blocked"),
    ({"encrypted_resolvers": ("a\nb",)}, "web_filter.encrypted_resolvers"),
])  # fmt: skip
def test_what_daemons_would_misread_is_refused(changes, section):
    with pytest.raises(ApplyError) as caught:
        check_config(change(**changes))
    assert caught.value.section == section
    check_config(CONFIG)


# ---------------------------------------------------------------- names to try


def test_look_alikes_are_not_blocked_and_sub_domains_are():
    assert web_names.list_blocked(FILTER) == ("bets.example", "cards.example", "hearts.example")
    assert web_names.list_look_alikes(FILTER, "bets.example") == (
        "xbets.example", "betsx.example", "bets.example.allowed.example",
    )  # fmt: skip
    assert all(web_names.is_blocked(FILTER, name) for name in web_names.list_sub_domains("bets.example"))
    wide = WebFilter(("guest",), (WebCategory("all", ("bets.example", "allowed.example", "xbets.example")),))
    assert web_names.list_look_alikes(wide, "bets.example") == ("betsx.example",)


def test_the_internet_knows_every_name_that_is_tried():
    zones = web_names.build_web_zones(FILTER)
    assert zones["doh.example"] == web_names.OTHER_RESOLVERS[0]
    for name in web_names.list_blocked(FILTER):
        tried = (name, *web_names.list_sub_domains(name), *web_names.list_look_alikes(FILTER, name))
        assert all(zones[each] in web_names.SITES for each in tried)
    bench = ipaddress.ip_network("198.18.0.0/15")  # RFC 2544
    assert all(ipaddress.ip_address(address) in bench for address in zones.values())


LABEL = st.from_regex(r"[a-z]([a-z0-9-]{0,61}[a-z0-9])?", fullmatch=True)


@given(st.lists(st.lists(LABEL, min_size=1, max_size=4).map(".".join), min_size=1, max_size=6, unique=True))
def test_what_is_tried_is_a_name_and_on_the_right_side(blocked):
    control = WebFilter(("guest",), (WebCategory("any", tuple(blocked)),))
    for name in blocked:
        for like in web_names.list_look_alikes(control, name):
            assert not web_names.is_blocked(control, like)
            dns.message.make_query(like, "A").to_wire()
        for sub in web_names.list_sub_domains(name):
            assert web_names.is_blocked(control, sub)
            dns.message.make_query(sub, "A").to_wire()


# ---------------------------------------------------------------- the probe


def test_an_answer_of_rfc_8484_is_read():
    """RFC 8484 sections 4.1.1 (the query, base64url) and 4.2.2 (the answer, from memory)."""
    asked = base64.urlsafe_b64decode("AAABAAABAAAAAAAAA3d3dwdleGFtcGxlA2NvbQAAAQAB")
    query = dns.message.from_wire(asked)
    assert (query.id, query.question[0].name.to_text(), query.question[0].rdtype) == (0, "www.example.com.", 1)
    wire = bytes.fromhex(
        "000081800001000100000000037777770765"
        "78616d706c6503636f6d00001c0001c00c00"
        "1c000100000e7d001020010db8abcd00120001000200030004"
    )
    six = dns.message.make_query("www.example.com", dns.rdatatype.AAAA, id=0)
    assert read_answer(six, wire) == {
        "outcome": "answered", "rcode": "NOERROR", "records": ["2001:db8:abcd:12:1:2:3:4"],
        "addresses": ["2001:db8:abcd:12:1:2:3:4"], "detail": None,
    }  # fmt: skip
    with pytest.raises(dns.exception.DNSException):
        read_answer(query, wire)  # an answer, but to another question


@given(st.binary(max_size=64))
def test_any_bytes_are_an_answer_or_dnss_own_error(wire):
    query = dns.message.make_query("bets.example", "A", id=7)
    with contextlib.suppress(dns.exception.DNSException):
        assert read_answer(query, wire)["outcome"] == "answered"


def test_a_shut_port_refuses_and_a_mute_one_is_silent(monkeypatch):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mute:
        mute.bind(("127.0.0.1", 0))
        monkeypatch.setattr("emulators.common.probes_names.DNS_PORT", mute.getsockname()[1])
        (silent,) = ask_names([{"name": "bets.example"}], lambda: "127.0.0.1", 0.2)["answers"]
    (refused,) = ask_names([{"name": "bets.example"}], lambda: "127.0.0.1", 0.2)["answers"]
    assert (silent["outcome"], refused["outcome"]) == ("silent", "refused")


def test_questions_keep_their_order_and_a_lost_one_is_asked_again(monkeypatch):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(5.0)
        monkeypatch.setattr("emulators.common.probes_names.DNS_PORT", server.getsockname()[1])
        seen: list[bytes] = []

        def serve() -> None:
            while len(seen) < 4:
                wire, peer = server.recvfrom(512)
                seen.append(wire)
                if seen.count(wire) == 2:  # the first of each is lost
                    server.sendto(dns.message.make_response(dns.message.from_wire(wire)).to_wire(), peer)

        thread = threading.Thread(target=serve)
        thread.start()
        asked = [{"name": "one.example"}, {"name": "two.example", "type": "HTTPS"}]
        answers = ask_names(asked, lambda: "127.0.0.1", 3.0)["answers"]
        thread.join()
    assert [(a["name"], a["type"], a["outcome"], a["rcode"]) for a in answers] == [
        ("one.example", "A", "answered", "NOERROR"),
        ("two.example", "HTTPS", "answered", "NOERROR"),
    ]
