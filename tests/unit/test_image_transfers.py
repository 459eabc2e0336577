"""The firmware store's impairments and the device's own HTTP client, over the loopback."""

from __future__ import annotations

import asyncio
import hashlib
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from emulators.common.impair import Impairments
from emulators.management.impairments.images import offer
from emulators.management.server import Mirror, StoredImage, start_site
from emulators.management.server import Server as WebServer
from emulators.router.runtime import bootstrap_http
from emulators.router.runtime.bootstrap_effects import Failure, Fetched, Server
from emulators.router.runtime.bootstrap_http import HttpClient

IMAGE = bytes(range(256)) * 2000
SHA = hashlib.sha256(IMAGE).digest()
PATH = "/images/i.img"
NOBODY = Server("127.0.0.1", 1, None)


@dataclass
class Witness:
    """Stands where the console stands: keeps events."""

    events: list[dict[str, Any]] = field(default_factory=list)
    news: threading.Condition = field(default_factory=threading.Condition)

    def emit(self, kind: str, /, **data: Any) -> None:
        with self.news:
            self.events.append({"kind": kind, **data})
            self.news.notify_all()

    def wait_for(self, count: int) -> list[dict[str, Any]]:
        """Return the events once there are so many: the server tells of a transfer when all of it is acknowledged."""
        with self.news:
            assert self.news.wait_for(lambda: len(self.events) >= count, 10.0), self.events
            return list(self.events)


@dataclass
class Store:
    port: int
    witness: Witness
    web: WebServer
    impairments: Impairments
    folder: Path

    def fetch(self, most: int = len(IMAGE), port: int | None = None) -> Fetched | Failure:
        client = HttpClient(self.folder / "none.pem", lambda: ())
        uri = f"http://127.0.0.1:{port or self.port}{PATH}"
        return client.fetch(uri, SHA, NOBODY, self.folder / "incoming", most)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    witness = Witness()
    web = WebServer(witness, None, StoredImage(PATH, IMAGE, f'"{SHA.hex()}"'))  # type: ignore[arg-type]
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    app = web.build_app(images_only=True)
    runner = asyncio.run_coroutine_threadsafe(start_site(app, "127.0.0.1", 0, None), loop).result(10)
    port = runner.addresses[0][1]
    mirror = Mirror(web.build_app(images_only=True), 0, None)
    bench = SimpleNamespace(server=web, loop=loop, first_mirror=mirror, seed={}, machine=None)
    yield Store(port, witness, web, Impairments(offer(bench)), tmp_path)  # type: ignore[arg-type]
    asyncio.run_coroutine_threadsafe(runner.cleanup(), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    thread.join()
    loop.close()


def test_an_image_that_is_not_there(store: Store) -> None:
    store.impairments.impair("lose_image")
    failed = store.fetch()
    assert isinstance(failed, Failure)
    assert failed.kind == "protocol"
    assert "404" in failed.detail
    (served,) = store.witness.events
    assert (served["kind"], served["status"], served["bytes"], served["port"]) == ("image.served", 404, 0, store.port)
    store.impairments.mend("lose_image")
    assert isinstance(store.fetch(), Fetched)


@pytest.mark.parametrize(
    ("what", "parameters"), [("truncate_image", {"kept_pct": 60.0}), ("corrupt_image", {"at_pct": 75.0})]
)
def test_damage_is_in_the_store_until_it_is_mended(store: Store, what: str, parameters: dict[str, float]) -> None:
    store.impairments.impair(what, **parameters)
    assert store.web.image.etag == f'"{hashlib.sha256(store.web.image.data).hexdigest()}"'
    failed = store.fetch()
    assert isinstance(failed, Failure)
    assert failed.kind in ("truncated", "corrupted")
    store.impairments.mend(what)
    assert store.web.image == StoredImage(PATH, IMAGE, f'"{SHA.hex()}"')
    assert isinstance(store.fetch(), Fetched)


@pytest.mark.parametrize(("at_pct", "parts"), [(60.0, 2), (30.0, 4)])
def test_a_reset_transfer_goes_on_where_it_broke_off(
    store: Store, at_pct: float, parts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bootstrap_http, "FETCH_PAUSE_S", 0.0)
    store.impairments.impair("reset_transfers", at_pct=at_pct)
    fetched = store.fetch()
    assert isinstance(fetched, Fetched), fetched
    assert fetched.resumes == parts - 1
    assert (store.folder / "incoming").read_bytes() == IMAGE
    served = [e for e in store.witness.wait_for(parts) if e["kind"] == "image.served"]
    assert [e["status"] for e in served] == [200] + [206] * (parts - 1)
    starts = [e["range_start"] for e in served]
    assert starts == [sum(e["bytes"] for e in served[:i]) for i in range(parts)]  # all that was sent had arrived
    store.impairments.mend("reset_transfers")
    assert store.web.before_chunks == []


def test_a_slow_transfer_is_told_of(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bootstrap_http, "TOLD_EVERY_S", 0.1)
    told: list[tuple[int, int | None, float]] = []
    store.impairments.impair("slow_transfers", rate_bps=len(IMAGE) * 8)
    client = HttpClient(store.folder / "none.pem", lambda: ())
    uri = f"http://127.0.0.1:{store.port}{PATH}"
    fetched = client.fetch(
        uri, SHA, NOBODY, store.folder / "incoming", len(IMAGE), lambda had, whole, s: told.append((had, whole, s))
    )
    assert isinstance(fetched, Fetched)
    assert fetched.took_s >= 1.0  # the whole image takes a second at that rate
    assert {whole for _, whole, _ in told} == {len(IMAGE)}
    assert [had for had, _, _ in told] == sorted(had for had, _, _ in told)
    store.impairments.mend("slow_transfers")


def test_an_image_larger_than_a_slot_is_not_transferred(store: Store) -> None:
    """Its length is announced (RFC 9110 section 8.6)."""
    failed = store.fetch(most=len(IMAGE) - 1)
    assert isinstance(failed, Failure)
    assert failed.kind == "space"
    assert (store.folder / "incoming").exists() is False


def test_a_mirror_that_is_not_there_is_tried_twice(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bootstrap_http, "FETCH_PAUSE_S", 0.0)
    tried: list[str] = []
    connect = socket.create_connection

    def count(*args: Any) -> Any:
        tried.append(str(args[0]))
        return connect(*args)

    monkeypatch.setattr(socket, "create_connection", count)
    failed = store.fetch(port=1)  # nobody listens on TCP port 1 of the loopback
    assert isinstance(failed, Failure)
    assert failed.kind == "connect"
    assert len(tried) == bootstrap_http.BEGIN_TRIES
