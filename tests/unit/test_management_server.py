"""The management server over real TLS on the loopback, asked by the device's own HTTP client and by plain sockets."""

from __future__ import annotations

import asyncio
import hashlib
import http.client
import json
import select
import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from emulators.common.conveyed import BootImage, render_onboarding, wrap
from emulators.common.yang_json import DRAFT_MEDIA_TYPE, GET_DATA, INPUT, MEDIA_TYPE, OUTPUT, REPORT
from emulators.management.identity import read_identity
from emulators.management.machine import InventoryEntry, ManagementMachine
from emulators.management.ranges import Part, choose_part
from emulators.management.render import Offer
from emulators.management.server import Server as WebServer
from emulators.management.server import StoredImage, build_tls, start_site
from emulators.router.runtime.bootstrap_effects import Answer, Failure, Fetched, Server
from emulators.router.runtime.bootstrap_http import HttpClient, parse_retry_after
from emulators.router.runtime.heartbeat import run_heartbeats
from harness.lab.pki import Credential, Subjects, make_pki

MAC = "02:00:5e:10:00:01"
IMAGE = bytes(range(256)) * 2000
SHA = hashlib.sha256(IMAGE).digest()
GET_PATH, REPORT_PATH = f"/restconf/operations/{GET_DATA}", f"/restconf/operations/{REPORT}"
NOW = datetime.now(UTC)
EPOCH = datetime(2020, 1, 1, tzinfo=UTC)


@dataclass
class Witness:
    """Stands where the console stands: keeps events."""

    events: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    news: threading.Condition = field(default_factory=threading.Condition)

    def emit(self, kind: str, /, **data: Any) -> None:
        with self.news:
            self.events.append((kind, data))
            self.news.notify_all()

    def wait_for(self, kind: str, count: int = 1) -> list[dict[str, Any]]:
        """Return those of a kind once there are so many: a transfer is told of when all of it is acknowledged."""
        with self.news:
            assert self.news.wait_for(lambda: len(self.of(kind)) >= count, 10.0), self.events
            return self.of(kind)

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [data for seen, data in self.events if seen == kind]


@dataclass
class Bench:
    port: int
    witness: Witness
    trust_pem: str
    folder: Path
    pki: Any
    machine: ManagementMachine
    clients: list[HttpClient] = field(default_factory=list)

    @property
    def server(self) -> Server:
        return Server("127.0.0.1", self.port, self.trust_pem)

    def save(self, name: str, credential: Credential) -> Path:
        path = self.folder / f"{name}.pem"
        path.write_text("\n".join((credential.certificate_pem, credential.chain_pem, credential.key_pem)))
        return path

    def client(self, name: str = "device", credential: Credential | None = None) -> HttpClient:
        self.clients.append(HttpClient(self.save(name, credential or self.pki.device), lambda: ()))
        return self.clients[-1]

    def ask(
        self, method: str, path: str, body: bytes = b"", headers: dict[str, str] | None = None, with_cert: bool = True
    ) -> tuple[http.client.HTTPResponse, bytes]:
        context = ssl.create_default_context(cadata=self.trust_pem)
        if with_cert:
            context.load_cert_chain(self.save("device", self.pki.device))
        connection = http.client.HTTPSConnection("127.0.0.1", self.port, timeout=5, context=context)
        connection.request(method, path, body, {"Content-Type": MEDIA_TYPE, "Accept": MEDIA_TYPE} | (headers or {}))
        response = connection.getresponse()
        content = response.read()
        connection.close()
        return response, content


def make(serial: str = "SK-1", mac: str = MAC) -> Any:
    return make_pki(Subjects(serial, mac, ("127.0.0.1",), "g.example", "b.example"), NOW, EPOCH)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    pki, witness = make(), Witness()
    image = BootImage("bench-os", "2.0.0", ("https://127.0.0.1/i",), SHA)
    offer = Offer(wrap(render_onboarding(image, b'{"secret":"s3cr3t"}')), "d1", 19)
    machine = ManagementMachine((InventoryEntry("SK-1", MAC, "Skerry Line", "pier"),), "Skerry Line", "pier", offer)
    web = WebServer(witness, machine, StoredImage("/images/i.img", IMAGE, f'"{SHA.hex()}"'))  # type: ignore[arg-type]

    def refused(reason: str) -> None:
        witness.emit("session.refused", reason=reason, serial=None)

    tls = build_tls(pki.management.certificate_pem, pki.management.key_pem, pki.manufacturer_ca_pem, refused)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    runner = asyncio.run_coroutine_threadsafe(start_site(web.build_app(), "127.0.0.1", 0, tls), loop).result(10)
    made = Bench(runner.addresses[0][1], witness, pki.bootstrap_ca_pem, tmp_path, pki, machine)
    yield made
    for client in made.clients:
        client.drop()
    asyncio.run_coroutine_threadsafe(runner.cleanup(), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    thread.join()
    loop.close()


def test_check_in_and_report(bench: Bench) -> None:
    client = bench.client()
    answer = client.post(bench.server, GET_PATH, {INPUT: {"os-name": "bench-os", "os-version": "1.0.0"}})
    assert isinstance(answer, Answer)
    assert (answer.status, answer.content_type) == (200, MEDIA_TYPE)
    assert answer.json[OUTPUT]["reporting-level"] == "verbose"
    report = client.post(bench.server, REPORT_PATH, {INPUT: {"progress-type": "bootstrap-initiated"}})
    assert isinstance(report, Answer)
    assert (report.status, report.body) == (204, b"")  # RFC 8040 §3.6: no body
    (seen,) = bench.witness.of("report.received")
    assert (seen["serial"], seen["mac"], seen["owner"], seen["status"]) == ("SK-1", MAC, "Skerry Line", 204)
    assert abs(seen["date_skew_s"]) < 2  # the Date has whole seconds
    assert bench.witness.of("config.served") == [{"serial": "SK-1", "digest": "d1", "bytes": 19}]
    assert "s3cr3t" not in repr(bench.witness.events)
    assert answer.json[OUTPUT]["conveyed-information"] not in repr(bench.witness.events)


def test_a_heartbeats_answer_tells_of_another_configuration(bench: Bench) -> None:
    """RFC 8040 section 3.5.2: an entity tag; here the digest of the configuration that the server has."""
    console, seen = Witness(), list[str]()

    def is_news(tag: str) -> bool:
        seen.append(tag)
        if len(seen) == 2:
            bench.machine.serve(replace(bench_offer, digest="d2"))
        return tag == "d2"

    bench_offer = Offer(b"", "d1", 19)
    run_heartbeats(
        console,  # type: ignore[arg-type]
        bench.client(),
        (bench.server,),
        0.01,
        stop=threading.Event(),
        is_news=is_news,
    )
    assert seen == ["d1", "d1", "d2"]


def check_error(content: bytes, tag: str) -> None:
    """RFC 8040 §7.1."""
    (error,) = json.loads(content)["ietf-restconf:errors"]["error"]
    assert error["error-tag"] == tag
    assert error["error-type"] in ("transport", "rpc", "protocol", "application")


REPORT_BODY = json.dumps({INPUT: {"progress-type": "informational"}}).encode()


@pytest.mark.parametrize(
    ("method", "path", "sent", "expected"),
    [
        # RFC 8040 §7: the table of error-tags and statuses
        ("GET", GET_PATH, (b"", {}), (405, "operation-not-supported")),
        ("DELETE", REPORT_PATH, (b"", {}), (405, "operation-not-supported")),
        ("POST", REPORT_PATH, (b"{", {}), (400, "malformed-message")),
        ("POST", REPORT_PATH, (b"[]", {}), (400, "malformed-message")),
        ("POST", REPORT_PATH, (b"", {}), (400, "missing-element")),
        ("POST", REPORT_PATH, (b'{"input":{}}', {}), (400, "unknown-element")),
        ("POST", REPORT_PATH, (REPORT_BODY.replace(b"informational", b"done"), {}), (400, "invalid-value")),
        ("POST", REPORT_PATH, (REPORT_BODY, {"Content-Type": "text/plain"}), (415, "operation-not-supported")),
        ("POST", REPORT_PATH, (REPORT_BODY, {"Accept": "application/yang-data+xml"}), (406, "invalid-value")),
        ("POST", "/restconf/operations/ietf-sztp-bootstrap-server:no-such", (b"", {}), (404, "invalid-value")),
        ("GET", "/elsewhere", (b"", {}), (404, "invalid-value")),
        ("POST", REPORT_PATH, (b" " * 300_000, {}), (413, "too-big")),
    ],
)
def test_errors(
    bench: Bench, method: str, path: str, sent: tuple[bytes, dict[str, str]], expected: tuple[int, str]
) -> None:
    response, content = bench.ask(method, path, *sent)
    assert (response.status, response.getheader("Content-Type")) == (expected[0], MEDIA_TYPE)
    check_error(content, expected[1])
    if response.status == 405:
        assert response.getheader("Allow") == "POST"  # RFC 9110 §15.5.6


def test_report_before_any_data_is_refused(bench: Bench) -> None:
    body = REPORT_BODY.replace(b"informational", b"config-complete")
    response, content = bench.ask("POST", REPORT_PATH, body)
    assert response.status == 412
    check_error(content, "operation-failed")
    assert bench.ask("POST", REPORT_PATH, REPORT_BODY)[0].status == 204  # a heartbeat is about no data
    assert bench.witness.of("heartbeat.received") == [{"serial": "SK-1"}]


def test_pre_standard_media_type_is_read(bench: Bench) -> None:
    """RFC 8572 §7.2 prints application/yang.data; RFC 8040 §11.3 registers application/yang-data."""
    response, _ = bench.ask("POST", REPORT_PATH, REPORT_BODY, {"Content-Type": DRAFT_MEDIA_TYPE})
    assert response.status == 204
    assert "pre-standard" in bench.witness.of("restconf.exchanged")[-1]["summary"]


def test_root_is_found_as_rfc_8040_says(bench: Bench) -> None:
    response, content = bench.ask("GET", "/.well-known/host-meta", headers={"Accept": "application/xrd+xml"})
    assert (response.status, response.getheader("Content-Type")) == (200, "application/xrd+xml")
    assert b"<Link rel='restconf' href='/restconf'/>" in content
    response, content = bench.ask("GET", "/restconf")
    assert json.loads(content)["ietf-restconf:restconf"]["yang-library-version"] == "2016-06-21"  # RFC 8040 §3.3.3


def test_without_certificate(bench: Bench) -> None:
    response, content = bench.ask("POST", GET_PATH, with_cert=False)
    assert response.status == 401
    check_error(content, "access-denied")
    assert bench.witness.of("session.refused") == [{"reason": "no client certificate", "serial": None}]


@pytest.mark.parametrize(
    ("change", "status", "tag"),
    [
        ({"serial": "SK-2"}, 404, "invalid-value"),
        ({"mac": "02:00:5e:10:00:02"}, 403, "access-denied"),
        ({"owner": "Other Line"}, 403, "access-denied"),
        ({"profile": "kiosk"}, 403, "access-denied"),
    ],
)
def test_inventory_that_differs(bench: Bench, change: dict[str, str], status: int, tag: str) -> None:
    entry = InventoryEntry(**({"serial": "SK-1", "mac": MAC, "owner": "Skerry Line", "profile": "pier"} | change))
    machine = ManagementMachine((entry,), "Skerry Line", "pier", Offer(b"", "", 0))
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    from emulators.management.restconf import Request

    der = x509.load_pem_x509_certificate(bench.pki.device.certificate_pem.encode()).public_bytes(Encoding.DER)
    assert read_identity(der).mac == MAC
    exchange = machine.handle(Request("POST", GET_PATH, {}, b"", der), 0.0)
    assert (exchange.response.status, exchange.response.error_tag) == (status, tag)
    refused = [event for event in exchange.events if event.kind == "session.refused"]
    assert [event.data["serial"] for event in refused] == ["SK-1"]


def test_a_stranger_s_certificate_ends_the_handshake_and_is_witnessed(bench: Bench) -> None:
    answer = bench.client("stranger", make().device).post(bench.server, GET_PATH, {})
    assert isinstance(answer, Failure)
    assert bench.witness.of("session.refused")[0]["serial"] is None
    assert bench.witness.of("restconf.exchanged") == []


def test_the_device_refuses_a_server_of_another_anchor_or_name(bench: Bench) -> None:
    client = bench.client()
    wrong = client.post(Server("127.0.0.1", bench.port, make().bootstrap_ca_pem), GET_PATH, {})
    assert isinstance(wrong, Failure)
    assert wrong.kind == "tls"
    named = client.post(Server("127.0.0.2", bench.port, bench.trust_pem), GET_PATH, {})
    assert isinstance(named, Failure)  # nothing listens on 127.0.0.2
    assert named.kind == "connect"


def test_an_untrusted_server_is_spoken_to_without_check(bench: Bench) -> None:
    """RFC 8572 §5.3: a provisional connection; the device still authenticates itself."""
    untrusted = Server("127.0.0.1", bench.port, None)
    answer = bench.client().post(untrusted, GET_PATH, {INPUT: {"signed-data-preferred": [None]}})
    assert isinstance(answer, Answer)
    assert answer.status == 404


def uri(bench: Bench) -> str:
    return f"https://127.0.0.1:{bench.port}/images/i.img"


def test_image(bench: Bench, tmp_path: Path) -> None:
    target = tmp_path / "incoming"
    fetched = bench.client().fetch(uri(bench), SHA, bench.server, target, len(IMAGE))
    assert isinstance(fetched, Fetched)
    assert (fetched.bytes, fetched.resumes, fetched.sha256) == (len(IMAGE), 0, SHA.hex())
    assert target.read_bytes() == IMAGE
    (served,) = bench.witness.wait_for("image.served")
    assert (served["serial"], served["status"], served["bytes"]) == ("SK-1", 200, len(IMAGE))
    other = bench.client().fetch(uri(bench), bytes(32), bench.server, target, len(IMAGE))
    assert isinstance(other, Failure)
    assert other.kind == "corrupted"
    large = bench.client().fetch(uri(bench), SHA, bench.server, target, len(IMAGE) - 1)
    assert isinstance(large, Failure)
    assert large.kind == "space"


def relay(upstream: int, limits: list[int], listener: socket.socket) -> None:
    """Pass TCP through, one connection a limit, and cut each after so many bytes of answer."""
    for limit in limits:
        here, _ = listener.accept()
        with here, socket.create_connection(("127.0.0.1", upstream)) as there:
            left = limit
            while left > 0:
                for source in select.select([here, there], [], [], 5.0)[0]:
                    data = source.recv(min(65536, left) if source is there else 65536)
                    (here if source is there else there).sendall(data)
                    left -= len(data) if source is there else 0
                    if not data:
                        left = 0


def test_a_broken_transfer_is_resumed(bench: Bench, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        limits = [200_000, 150_000, 10_000_000]
        cutter = threading.Thread(target=relay, args=(bench.port, limits, listener), daemon=True)
        cutter.start()
        broken = f"https://127.0.0.1:{listener.getsockname()[1]}/images/i.img"
        fetched = bench.client().fetch(broken, SHA, bench.server, tmp_path / "incoming", len(IMAGE))
        cutter.join(10)
    assert isinstance(fetched, Fetched), fetched
    assert fetched.resumes == 2
    assert (tmp_path / "incoming").read_bytes() == IMAGE
    statuses = sorted(served["status"] for served in bench.witness.wait_for("image.served", 3))
    assert statuses[-1] == 206


ETAG = '"abc"'


@pytest.mark.parametrize(
    ("range_", "if_range", "expected"),
    [
        # RFC 9110 §14.1.2, on a representation of 10000 bytes
        ("bytes=0-499", None, Part(206, 0, 500)),
        ("bytes=500-999", None, Part(206, 500, 1000)),
        ("bytes=-500", None, Part(206, 9500, 10000)),
        ("bytes=9500-", None, Part(206, 9500, 10000)),
        ("bytes=9500-20000", None, Part(206, 9500, 10000)),
        ("bytes=-20000", None, Part(206, 0, 10000)),
        ("bytes=10000-", None, Part(416, 0, 0)),
        ("bytes=-0", None, Part(416, 0, 0)),
        ("bytes=5-4", None, Part(200, 0, 10000)),
        ("lines=0-4", None, Part(200, 0, 10000)),
        ("bytes=0-1,4-5", None, Part(200, 0, 10000)),
        (None, None, Part(200, 0, 10000)),
        # §13.1.5: another version was begun
        ("bytes=500-", ETAG, Part(206, 500, 10000)),
        ("bytes=500-", '"old"', Part(200, 0, 10000)),
        ("bytes=500-", f"W/{ETAG}", Part(200, 0, 10000)),
        ("bytes=500-", "Fri, 31 Dec 1999 23:59:59 GMT", Part(200, 0, 10000)),
    ],
)
def test_ranges(range_: str | None, if_range: str | None, expected: Part) -> None:
    assert choose_part(10000, ETAG, range_, if_range, None) == expected


def test_retry_after() -> None:
    """RFC 9110 §10.2.3: its own two examples."""
    now_s = datetime(1999, 12, 31, 23, 58, 59, tzinfo=UTC).timestamp()
    assert parse_retry_after("120", now_s) == 120.0
    assert parse_retry_after("Fri, 31 Dec 1999 23:59:59 GMT", now_s) == 60.0
    assert parse_retry_after("soon", now_s) is None
