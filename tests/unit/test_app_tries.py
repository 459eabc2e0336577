"""What the bench's internet serves for the application firewall, what is tried, and what is exchanged in clear."""

from __future__ import annotations

import ipaddress
from dataclasses import replace

import pytest

from emulators.common.controls import Application, Applications, Reach, Threats
from emulators.common.exchange import Exchange, exchange
from emulators.common.probes_applications import build_application_probes
from emulators.common.threat_bodies import build_body
from emulators.internet.applications import Applications as Servers
from harness.checks._application_tries import list_tries
from harness.core import app_names, threat_ways
from harness.core.sample import build_plan

CONTROL = Applications(
    ("staff",),
    (
        Application("tickets", "tls", ("tcp/443",), ("tickets.example", ".shop.example")),
        Application("weather", "dns", ("tcp/443", "udp/5683"), ("weather.example",)),
        Application("time", "port", ("udp/123",)),
    ),
)


def test_names_lead_to_their_application_and_strangers_elsewhere() -> None:
    zones = app_names.build_app_zones(CONTROL)
    tickets, weather = (app_names.find_host(CONTROL, a) for a in CONTROL.allowed[:2])
    assert tickets != weather
    assert {zones[name] for name in ("tickets.example", "shop.example", "www.shop.example")} == {tickets}
    assert zones["weather.example"] == weather
    assert zones["sub.weather.example"] == app_names.SUB_HOST
    assert zones[app_names.OTHER_NAME] == app_names.OTHER_HOST


def test_a_name_below_one_that_dns_tells_has_an_address_of_its_own() -> None:
    control = Applications(("staff",), (Application("tides", "dns", ("tcp/443",), (".tides.example",)),))
    zones = app_names.build_app_zones(control)
    assert zones["tides.example"] != zones["www.tides.example"]
    assert set(zones.values()) <= set(app_names.list_addresses(control))


def test_every_address_is_served_and_lies_in_the_bench_s_block() -> None:
    served = app_names.list_addresses(CONTROL)
    assert set(app_names.build_app_zones(CONTROL).values()) <= set(served)
    assert len(set(served)) == len(served)
    assert all(ipaddress.ip_address(a) in ipaddress.ip_network("198.18.0.0/24") for a in served)  # RFC 2544


def test_no_stranger_is_allowed() -> None:
    for application in CONTROL.allowed:
        for name in app_names.list_strangers(CONTROL, application):
            assert not app_names.is_known(CONTROL, name)
    wide = Applications(("staff",), (Application("all", "tls", ("tcp/443",), (".example",)),))
    assert all(not app_names.is_known(wide, n) for n in app_names.list_strangers(wide, wide.allowed[0]))


def test_a_spare_port_is_opened_by_no_application() -> None:
    assert app_names.find_spare_port(CONTROL) == 8443
    taken = replace(CONTROL, allowed=(*CONTROL.allowed, Application("more", "port", ("tcp/8443",))))
    assert app_names.find_spare_port(taken) == 9443
    assert set(app_names.list_ports(taken)) == {443, 9443}


def test_tries_cover_each_way_around_the_firewall() -> None:
    staff = replace(build_plan().branch.segments[0], reach=(Reach("internet"),))
    tries = list_tries(CONTROL, staff)
    shut, working = [t for t in tries if not t.works], [t for t in tries if t.works]
    assert {a.name for a in CONTROL.allowed} == {t.text.partition(" (")[0] for t in working}
    assert {(t.kind, t.port) for t in shut} >= {("quic", 443), ("http", 443), ("http", 80), ("tcp", 443), ("tls", 8443)}
    assert any(t.kind == "tls" and t.server_name is None for t in shut)
    assert any(t.split and not t.works for t in tries)
    assert any(t.records and not t.works for t in tries)
    assert any(t.split and t.works for t in tries)
    assert len(set(tries)) == len(tries)
    assert not any(t.kind == "udp" and not t.works for t in list_tries(CONTROL, staff, far=False))


def test_what_the_matrix_shuts_is_not_expected_to_work() -> None:
    staff = replace(build_plan().branch.segments[0], reach=(Reach("internet", ("udp/123",)),))
    assert {t.text for t in list_tries(CONTROL, staff) if t.works} == {"time (udp/123)"}


def test_a_try_that_another_application_allows_is_left_out() -> None:
    control = replace(CONTROL, allowed=(*CONTROL.allowed, Application("fast", "port", ("udp/443", "tcp/80"))))
    staff = replace(build_plan().branch.segments[0], reach=(Reach("internet"),))
    shut = [t for t in list_tries(control, staff) if not t.works]
    assert not any(t.kind == "quic" or t.port == 80 for t in shut)


# ---------------------------------------------------------------- where bytes are exchanged in clear


@pytest.mark.parametrize(
    ("reach", "applications", "expected"),
    [
        ((Reach("hq"),), None, ("hq-endpoint", 8079, True)),
        ((Reach("internet"), Reach("hq")), None, ("hq-endpoint", 8079, True)),
        ((Reach("hq", ("icmp", "tcp/443", "tcp/8000")),), None, ("hq-endpoint", 8000, False)),
        ((Reach("hq", ("udp/5000", "tcp/443")), Reach("internet")), None, ("internet", 8079, True)),
        ((Reach("internet"),), CONTROL, None),
        ((Reach("hq", ("icmp",)),), None, None),
        ((), None, None),
    ],
)
def test_a_way_is_one_that_the_matrix_opens(reach: tuple[Reach, ...], applications: object, expected: object) -> None:
    plan = build_plan(threats=Threats(("staff",), ("test-file",), "drop"), applications=applications)
    staff, *others = plan.branch.segments
    plan = replace(plan, branch=replace(plan.branch, segments=(replace(staff, reach=reach), *others)))
    ways = threat_ways.list_ways(plan)
    assert [(w.node, w.port, w.everything) for w in ways] == ([] if expected is None else [expected])


def test_an_application_by_port_is_a_way() -> None:
    control = Applications(("staff",), (Application("feed", "port", ("tcp/8000",)),))
    plan = build_plan(threats=Threats(("staff",), ("test-file",), "drop"), applications=control)
    staff, *others = plan.branch.segments
    opened = replace(staff, reach=(Reach("internet"),))
    plan = replace(plan, branch=replace(plan.branch, segments=(opened, *others)))
    assert [(w.node, w.port) for w in threat_ways.list_ways(plan)] == [("internet", 8000)]


# ---------------------------------------------------------------- probe and stand-in, over the loopback


def _free_port() -> int:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as line:
        return int(line.getsockname()[1])


def test_tries_and_servers_understand_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    from emulators.internet import applications

    port = _free_port()
    monkeypatch.setattr(applications, "QUIC_PORT", port)  # 443 needs a privilege
    servers = Servers(["127.0.0.1"], [port], ["tickets.example"]).start()
    probe = build_application_probes(lambda host, _timeout_s: "127.0.0.1")["try_applications"]
    base = {"host": "tickets.example", "port": port}
    tries = [
        {**base, "kind": "tls", "server_name": "tickets.example"},
        {**base, "kind": "tls", "server_name": "other.example", "split": 7},
        {**base, "kind": "tls", "server_name": None, "records": 9},
        {**base, "kind": "tls", "server_name": "cut.example", "cut_name": True},
        {**base, "kind": "http", "server_name": "tickets.example"},
        {**base, "kind": "tcp"},
        {**base, "kind": "quic"},
        {**base, "kind": "tls", "server_name": "x.example", "port": _free_port()},
    ]
    results = probe(tries, timeout_s=5.0)["results"]
    assert [one["outcome"] for one in results] == ["answered"] * 7 + ["refused"]
    assert results[0]["said"]["names"] == ["tickets.example"]
    seen = {(one["kind"], one["server_name"], one["whole"]) for one in servers.tell(forget=True)["seen"]}
    assert seen == {
        ("tls", "tickets.example", True),
        ("tls", "other.example", True),
        ("tls", None, True),
        ("tls", "cut.example", True),
        ("http", None, True),
        ("tcp", None, True),
        ("quic", None, True),
    }
    assert servers.tell()["seen"] == []


def test_a_name_that_leads_nowhere_is_unresolved() -> None:
    def locate(host: str, _timeout_s: float) -> str:
        raise LookupError(f"no address for {host}")

    probe = build_application_probes(locate)["try_applications"]
    (one,) = probe([{"kind": "tls", "host": "x.example", "port": 443}])["results"]
    assert one["outcome"] == "unresolved"


@pytest.mark.parametrize("way", ["fetch", "submit"])
@pytest.mark.parametrize("piece", [0, 7])
def test_bodies_come_whole(way: str, piece: int) -> None:
    port = _free_port()
    server = Exchange([port], ["127.0.0.1"]).start()
    common = {"who": "client1", "address": "127.0.0.1", "port": port, "way": way, "piece": piece}
    tries = [{**common, "signature": "test-file", "clean": clean} for clean in (False, True)]
    results = exchange(tries, timeout_s=5.0)["results"]
    assert [one["outcome"] for one in results] == ["whole", "whole"]
    seen = server.tell()["seen"]
    assert {one["clean"] for one in seen} == {False, True}
    assert {one["who"] for one in seen} == {"client1"}
    if way == "submit":
        assert all(one["whole"] for one in seen)
        assert {one["bytes"] for one in seen} == {len(build_body("test-file", clean=True))}


def test_a_body_that_is_cut_short_is_not_whole() -> None:
    import socket

    port = _free_port()
    server = Exchange([port], ["127.0.0.1"]).start()
    body = build_body("test-file", clean=False)
    with socket.create_connection(("127.0.0.1", port), 2.0) as line:
        line.sendall(f"take test-file dirty {len(body)} client1\n".encode() + body[:-1])
        line.shutdown(socket.SHUT_WR)
        assert line.recv(200)
    (one,) = server.tell()["seen"]
    assert (one["whole"], one["bytes"]) == (False, len(body) - 1)
