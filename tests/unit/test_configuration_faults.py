"""Documents that a device cannot take, and a DHCP server that is not the branch's: the pure parts."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from test_apply import CONFIG

from emulators.client.dhcp_frames import ACK, DISCOVER, OFFER, REQUEST, Server, build_request, parse_asked
from emulators.client.frames import build_discover, parse_offer
from emulators.common.controls import Qos, QosClass
from emulators.common.device_config import render_config
from emulators.management.impairments.configuration import CHANGES, render_document
from emulators.router.runtime.apply.base import ApplyError
from emulators.router.runtime.apply.dhcp_watch import FILTER, Stranger, parse_server_frame
from emulators.router.runtime.apply.document import read_document
from emulators.router.runtime.apply.parts import dhcp_guard
from emulators.router.runtime.bootstrap_effects import Failure, Sleep
from emulators.router.runtime.bootstrap_effects import Server as BootstrapServer
from emulators.router.runtime.bootstrap_machine import Device, bootstrap
from emulators.router.runtime.main import Configurer

OWN = "198.18.0.20"
QOS = Qos(uplink_bps=1_000_000, trusted=(), classes=(QosClass("standard", ("df",), 900_000, 1_000_000),))
DOCUMENT = json.loads(render_config(replace(CONFIG, qos=QOS)))
BOX, ASKER = Server(bytes.fromhex("00005e0053e1"), "192.0.2.1"), bytes.fromhex("00005e0053e2")


def change(name: str) -> bytes:
    document = json.loads(json.dumps(DOCUMENT))
    CHANGES[name](document, OWN)
    return render_document(document)


@pytest.mark.parametrize(
    ("name", "why", "section"),
    [
        ("newer_format", "newer_release", "format"),
        ("newer_section", "newer_release", "wireless"),
        ("newer_key", "newer_release", "uplinks.satellite_last"),
        ("overcommitted_qos", "refused", "qos.classes"),
        ("misspelt_proposal", "refused", "tunnel.esp_proposals"),
    ],
)
def test_a_document_is_refused_for_what_is_wrong_with_it(name, why, section):
    with pytest.raises(ApplyError) as caught:
        read_document(change(name))
    assert (caught.value.why, caught.value.section) == (why, section)


@pytest.mark.parametrize("name", ["absent_port", "all_to_hq", "shadowed_management"])
def test_a_document_that_cuts_reads_like_any_other(name):
    assert read_document(change(name)) != read_document(render_document(DOCUMENT))


def test_the_segment_that_shadows_management_holds_its_address_and_gives_it_to_nobody():
    guest = read_document(change("shadowed_management")).segments[-1]
    assert (guest.address, guest.dhcp.first, guest.dhcp.last) == ("198.18.0.17/29", "198.18.0.21", "198.18.0.22")


@pytest.mark.parametrize("document", [b"\xff", b"[]", b'{"format":true}', b'{"format":"2"}', b"{}"])
def test_what_is_no_document_is_refused_and_asks_for_no_release(document):
    with pytest.raises(ApplyError) as caught:
        read_document(document)
    assert caught.value.why == "refused"


class Applier:
    """Runs what does not begin with an exclamation mark."""

    config = None

    def __init__(self) -> None:
        self.digest: str | None = None

    def apply(self, document: bytes, _uplink: object) -> None:
        if document.startswith(b"!"):
            raise ApplyError("document", "no")
        self.digest = document.decode()

    def roll_back(self, _reason: str) -> None:
        self.digest = None


class Manager:
    def choose_beside(self, _networks: object) -> None: ...

    def set_inside(self, _networks: object) -> None: ...

    def set_health(self, _health: object) -> None: ...


def test_a_document_that_was_refused_or_rolled_back_is_no_news_again(monkeypatch):
    monkeypatch.setattr("emulators.router.runtime.main.digest_config", bytes.decode)
    configurer = Configurer(Applier(), Manager())
    with pytest.raises(ApplyError):
        configurer.apply(b"!bad")
    configurer.apply(b"cuts")
    configurer.roll_back("management was not reached")
    assert [configurer.is_news(d) for d in ("!bad", "cuts", "next")] == [False, False, True]


def test_bootstrap_of_a_branch_in_service_gives_up_after_its_rounds():
    steps = bootstrap(Device("x", "y", "1", False), (BootstrapServer("m.example", 443, "anchor"),), most_rounds=1)
    effects, result = [], None
    with pytest.raises(StopIteration) as ended:
        while True:
            effects.append(steps.send(result))
            result = Failure("connect", "refused")
    assert ended.value.value is None and not any(isinstance(e, Sleep) for e in effects)


# ---------------------------------------------------------------- DHCP


def test_an_offer_is_read_by_a_client_and_by_the_watch():
    frame = BOX.build_answer(OFFER, ASKER, 7, "192.0.2.50")
    offer = parse_offer(frame[14:], 7)
    assert offer is not None and (offer.address, offer.server) == ("192.0.2.50", "192.0.2.1")
    assert parse_server_frame(frame) == Stranger("00:00:5e:00:53:e1", "192.0.2.1")


def test_what_a_client_sends_is_read_as_such_and_is_no_server():
    for frame, kind in (
        (build_discover(ASKER, 7), DISCOVER),
        (build_request(ASKER, 7, "192.0.2.50", "192.0.2.1"), REQUEST),
    ):
        asked = parse_asked(frame)
        assert asked is not None and (asked.kind, asked.mac, asked.transaction) == (kind, ASKER, 7)
        assert parse_server_frame(frame) is None


@pytest.mark.parametrize("size", range(0, 300, 7))
def test_half_a_frame_is_nothing(size):
    whole = BOX.build_answer(ACK, ASKER, 7, "192.0.2.50")
    assert parse_server_frame(whole[:size]) is None or size >= 14 + 28 + 240
    assert parse_asked(build_discover(ASKER, 7)[:size]) is None or size >= 14 + 28 + 243


def run_filter(frame: bytes) -> int:
    """Run a classic BPF program (linux/filter.h) that uses the watch's instructions only."""
    place, accumulator, index = 0, 0, 0
    while True:
        code, jump_true, jump_false, k = FILTER[place]
        place += 1
        if code == 0x06:
            return k
        if code == 0x15:
            place += jump_true if accumulator == k else jump_false
        elif code == 0xB1:
            index = 4 * (frame[k] & 15)
        else:
            start = k + (index if code == 0x48 else 0)
            accumulator = int.from_bytes(frame[start : start + (1 if code == 0x30 else 2)], "big")


def test_the_filter_passes_servers_and_nothing_else():
    offer = BOX.build_answer(OFFER, ASKER, 7, "192.0.2.50")
    assert run_filter(offer) > 0
    assert run_filter(build_discover(ASKER, 7)) == 0
    assert run_filter(offer[:12] + b"\x86\xdd" + offer[14:]) == 0


def test_the_guard_stands_at_every_port():
    script = dhcp_guard.render(CONFIG, None)[dhcp_guard.SCRIPT]
    assert [port for port in (1, 2, 3, 4) if f'device "lan{port}"' in script] == [1, 2, 3]
    assert script.count("udp sport 67 udp dport 68 counter drop") == 3
