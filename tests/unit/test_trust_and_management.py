"""Certificates that are wrong in one thing, as device and server tell them; and what a server does badly, in parts."""

from __future__ import annotations

import asyncio
import itertools
import json
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from emulators.common.conveyed import RedirectServer, parse, render_onboarding, unwrap, wrap
from emulators.common.dnsmasq_log import DnsmasqLog, NameAnswered
from emulators.common.yang_json import GET_DATA, INPUT, MEDIA_TYPE, OUTPUT, REPORT, decode_binary
from emulators.internet.daemons import build_chrony, build_dnsmasq
from emulators.internet.impairments.names import take_name
from emulators.internet.impairments.time import SYNCHRONISED, render_filter
from emulators.management.impairments import certificate
from emulators.management.impairments.answers import GARBLED, PATHS, answer_otherwise, garble_data
from emulators.management.impairments.reach import render_refusal
from emulators.management.impairments.redirects import send_on
from emulators.management.machine import InventoryEntry, ManagementMachine
from emulators.management.render import Offer
from emulators.management.restconf import Request
from emulators.management.server import Server as WebServer
from emulators.management.server import StoredImage, build_tls, start_site
from emulators.router.hardware.facts import Hardware
from emulators.router.hardware.identity import settle_identity
from emulators.router.hardware.impairments import clock, identity
from emulators.router.runtime.bootstrap_effects import Answer, Failure, Server
from emulators.router.runtime.bootstrap_http import HttpClient
from harness.lab.certificates import Credential
from harness.lab.pki import Pki, Subjects, make_pki

MAC = "02:00:5e:10:00:01"
GET_PATH, REPORT_PATH = f"/restconf/operations/{GET_DATA}", f"/restconf/operations/{REPORT}"
NOW = datetime.now(UTC)
EPOCH = datetime(2020, 1, 1, tzinfo=UTC)
PKI: Pki = make_pki(Subjects("SK-1", MAC, ("localhost",), "g.example", "b.example"), NOW, EPOCH)


def build_machine() -> ManagementMachine:
    offer = Offer(wrap(render_onboarding(None, b"{}")), "d1", 2)
    return ManagementMachine((InventoryEntry("SK-1", MAC, "Skerry Line", "pier"),), "Skerry Line", "pier", offer)


class Site:
    """A management server on the loopback, its context there to be changed."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.events = folder, list[tuple[str, dict[str, Any]]]()
        pair = PKI.management.build_pair()
        spares = {name: spare.build_pair() for name, spare in PKI.spares.management.items()}
        self.seed = {"settings": {"tls": {**pair, "spares": spares}}}
        self.tls = build_tls(
            pair["certificate_pem"],
            pair["key_pem"],
            PKI.manufacturer_ca_pem,
            lambda reason: self.emit("session.refused", reason=reason),
            lambda serial: self.emit("session.opened", serial=serial),
        )
        web = WebServer(self, build_machine(), StoredImage("/i", b"", '""'))  # type: ignore[arg-type]
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever)
        self.thread.start()
        start = start_site(web.build_app(), "127.0.0.1", 0, self.tls)
        self.runner = asyncio.run_coroutine_threadsafe(start, self.loop).result(10)

    def emit(self, kind: str, /, **data: Any) -> None:
        self.events.append((kind, data))

    def ask(self, credential: Credential = PKI.device) -> Answer | Failure:
        path = self.folder / "device.pem"
        path.write_text("\n".join((credential.certificate_pem, credential.chain_pem, credential.key_pem)))
        client = HttpClient(path, lambda: ())
        client_server = Server("localhost", self.runner.addresses[0][1], PKI.bootstrap_ca_pem)
        # names are resolved by the uplink's name servers only: the loopback's is an address
        client._connections = lambda server: _connect(client, server)  # type: ignore[method-assign]
        answer = client.post(client_server, GET_PATH, {INPUT: {"os-name": "x"}})
        client.drop()
        return answer

    def close(self) -> None:
        asyncio.run_coroutine_threadsafe(self.runner.cleanup(), self.loop).result(10)
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join()
        self.loop.close()


def _connect(client: HttpClient, server: Server) -> Iterator[Any]:
    from emulators.router.runtime.bootstrap_http import _Connection

    yield _Connection(server.address, server.port, "127.0.0.1", client._build_tls(server.trust_pem), 5.0), True


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    made = Site(tmp_path)
    yield made
    made.close()


@pytest.mark.parametrize(
    ("which", "device_says", "server_hears"),
    [
        # x509_vfy.h: 10 has expired, 18 self-signed, 20 no issuer, 62 host name; alerts: RFC 8446 section 6.2
        ("ended_yesterday", "verify error 10)", "certificate expired"),
        ("ended_last_year", "verify error 10)", "certificate expired"),
        ("other_name", "verify error 62)", "bad certificate"),
        ("name_as_text", "verify error 62)", "bad certificate"),
        ("other_ca", "verify error 20)", "unknown ca"),
        ("self_signed", "verify error 18)", "unknown ca"),
    ],
)
def test_a_wrong_certificate_is_refused_and_both_ends_say_why(
    site: Site, which: str, device_says: str, server_hears: str
) -> None:
    end = certificate.offer(site)["show_certificate"](which)  # type: ignore[arg-type]
    answer = site.ask()
    assert isinstance(answer, Failure)
    assert answer.kind == "tls" and device_says in answer.detail
    end()
    assert isinstance(site.ask(), Answer)
    kinds = [kind for kind, _ in site.events]
    assert server_hears in str(site.events[0][1])
    assert kinds[:2] == ["session.refused", "session.opened"]


def test_a_kept_connection_that_broke_is_told_of_and_the_request_sent_anew(site: Site, tmp_path: Path) -> None:
    path, given_up = tmp_path / "kept.pem", list[Failure]()
    path.write_text("\n".join((PKI.device.certificate_pem, PKI.device.chain_pem, PKI.device.key_pem)))
    client = HttpClient(path, lambda: (), on_retry=lambda _, failure: given_up.append(failure))
    server = Server("localhost", site.runner.addresses[0][1], PKI.bootstrap_ca_pem)
    fresh = lambda to: _connect(client, to)  # noqa: E731 - as short as it is
    kept = client._connections
    client._connections = fresh  # type: ignore[method-assign]
    assert isinstance(client.post(server, GET_PATH, {INPUT: {}}), Answer)
    held = client._kept[server]
    assert held.sock is not None
    held.sock.shutdown(socket.SHUT_RDWR)
    client._connections = lambda to: itertools.chain(itertools.islice(kept(to), 1), fresh(to))  # type: ignore[method-assign]
    assert isinstance(client.post(server, GET_PATH, {INPUT: {}}), Answer)
    assert [failure.kind for failure in given_up] in (["connect"], ["tls"])
    client.drop()


@pytest.mark.parametrize("which", ["ended_yesterday", "ended_last_year"])
def test_the_device_is_told_that_its_own_certificate_is_past_its_end(site: Site, which: str) -> None:
    answer = site.ask(PKI.spares.device[which])
    assert isinstance(answer, Failure)
    assert str(answer) == "tls: the server ends the handshake: alert certificate expired"
    assert site.events == [
        ("session.refused", {"reason": "TLS handshake: client certificate: certificate has expired"})
    ]
    assert isinstance(site.ask(), Answer)
    assert site.events[1] == ("session.opened", {"serial": "SK-1"})


def exchange(machine: ManagementMachine, path: str, members: dict[str, Any]) -> tuple[Request, Any]:
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    der = x509.load_pem_x509_certificate(PKI.device.certificate_pem.encode()).public_bytes(Encoding.DER)
    headers = {"content-type": MEDIA_TYPE, "accept": MEDIA_TYPE}
    request = Request("POST", path, headers, json.dumps({INPUT: members}).encode(), der)
    return request, machine.handle(request, 0.0)


@pytest.mark.parametrize("how", GARBLED)
def test_what_is_garbled_is_no_bootstrapping_data_any_more(how: str) -> None:
    request, good = exchange(build_machine(), GET_PATH, {})
    body = garble_data(request, good, how).response.body
    with pytest.raises((ValueError, KeyError)):
        parse(unwrap(decode_binary("", json.loads(body)[OUTPUT]["conveyed-information"])))


def test_only_the_report_that_is_named_gets_another_status() -> None:
    machine = build_machine()
    exchange(machine, GET_PATH, {})
    for kind, status in (("bootstrap-initiated", 204), ("bootstrap-complete", 200)):
        request, good = exchange(machine, REPORT_PATH, {"progress-type": kind})
        seen = answer_otherwise(request, good, "bootstrap-complete", 200)
        assert seen.response.status == status
        assert [e.data["status"] for e in seen.events if e.kind in ("report.received", "restconf.exchanged")] == [
            status
        ] * 2


def test_a_redirect_takes_the_place_of_the_data() -> None:
    request, good = exchange(build_machine(), GET_PATH, {})
    to = RedirectServer("198.18.0.20", 9443, PKI.bootstrap_ca_pem)
    seen = send_on(to)(request, good)
    conveyed = parse(unwrap(decode_binary("", json.loads(seen.response.body)[OUTPUT]["conveyed-information"])))
    assert [s.address for s in conveyed.servers] == ["198.18.0.20"]  # type: ignore[union-attr]
    assert "config.served" not in [e.kind for e in seen.events]
    assert set(PATHS.values()) == {GET_PATH, REPORT_PATH}


def test_rules_and_command_lines() -> None:
    assert "tcp dport { 443, 8443 } reject with tcp reset" in render_refusal((443, 8443), "nobody_listens")
    assert "udp dport 123 drop" in render_filter("dropped")
    assert SYNCHRONISED in build_chrony()
    argv = build_dnsmasq({"a.example": "198.18.0.1", "b.a.example": "198.18.0.2"}, ["198.18.0.1"], None)
    without = take_name(argv, "a.example", "no_such_name")
    assert set(argv) - set(without) == {"--host-record=a.example,198.18.0.1"}
    assert "--host-record=a.example,2001:db8::20" in take_name(argv, "a.example", "no_address")
    with pytest.raises(KeyError):
        take_name(argv, "c.example", "no_such_name")


def test_a_name_without_an_address_is_answered_with_none() -> None:
    line = "dnsmasq[9]: 7 198.18.0.10/4242 config boot.example is NODATA-IPv4"
    assert DnsmasqLog().feed(line) == NameAnswered("198.18.0.10", "boot.example", None)
    assert DnsmasqLog().feed(line.replace("IPv4", "IPv6")) is None


def test_the_identity_is_what_the_hardware_s_facts_say(tmp_path: Path) -> None:
    own, old = {"certificate_pem": "own"}, {"certificate_pem": "old"}
    hardware = Hardware(tmp_path)
    end = identity.offer(hardware)["wear_identity"]("ended")  # before it was ever staged
    (tmp_path / "device.json").write_text(json.dumps({"identity": {"serial": "SK-1", **own}, "trust": {}}))
    (tmp_path / "board.json").write_text(json.dumps({"settings": {"identities": {"own": own, "ended": old}}}))
    settle_identity(tmp_path)
    assert json.loads((tmp_path / "device.json").read_text())["identity"] == {"serial": "SK-1", **old}
    end()
    assert json.loads((tmp_path / "device.json").read_text()) == {"identity": {"serial": "SK-1", **own}, "trust": {}}
    assert hardware.load() == {}


def test_the_clock_shows_what_it_is_told_until_that_ends(tmp_path: Path) -> None:
    hardware = Hardware(tmp_path)
    end = clock.offer(hardware)["show_time"]("1970-01-01T00:00:00+00:00")
    assert hardware.load() == {clock.FACT: "1970-01-01T00:00:00+00:00"}
    end()
    assert hardware.load() == {}
    with pytest.raises(ValueError, match="Invalid isoformat"):
        clock.offer(hardware)["show_time"]("noon")
