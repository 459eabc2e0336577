"""Quality of service: streams and their figures, the device's queues and rules, the gateway's witness, what is sent."""

from __future__ import annotations

import dataclasses
import json
import random
import socket
import struct
import time
from itertools import pairwise
from typing import Any

import pytest
from test_apply import CONFIG, SITUATION

from emulators.common import probes_streams
from emulators.common.controls import Application, Applications, Qos, QosClass, Reach
from emulators.common.device_config import DeviceConfig
from emulators.common.record import to_json
from emulators.common.streams import (
    LEAST_BYTES,
    Schedule,
    Stream,
    Tally,
    check_streams,
    decode,
    encode,
    find_percentile,
)
from emulators.hq.markings import read_esp
from emulators.router.runtime.apply.base import ApplyError
from emulators.router.runtime.apply.check import check_config
from emulators.router.runtime.apply.parts import qos as part
from harness.checks import _qos_load as load
from harness.checks._qos_spoils import list_spoils, shows_halving
from harness.checks.qos import CHECK
from harness.core.sample import QOS, build_plan
from harness.core.sizes import parse_suite

# ---------------------------------------------------------------- streams


def stream(**changes: Any) -> Stream:
    return Stream(**{"flow": 1, "target": "127.0.0.1", "port": 5004, "dscp": 46, "bps": 80_000, "bytes": 100,
                     "seconds": 1.0, **changes})  # fmt: skip


def test_a_packet_says_what_it_is() -> None:
    payload = encode(7, 41, 123_456_789, 200)
    assert len(payload) == 200 - 28
    assert decode(payload) == (7, 41, 123_456_789)
    assert decode(b"xxxx" + payload[4:]) is None
    assert decode(payload[:10]) is None


def test_the_schedule_is_even_and_keeps_the_rate() -> None:
    schedule = Schedule([stream()], 0, lambda: 0.5)  # 80 kbit/s of 100 bytes: one packet in 10 ms
    due = []
    while (found := schedule.find_next()) is not None:
        due.append(found[0])
        schedule.note_sent(found[1], found[0])
    assert due == [n * 10_000_000 for n in range(100)]


def test_jitter_keeps_the_rate_but_not_the_gaps() -> None:
    chance = random.Random(4594)
    schedule = Schedule([stream(jitter=0.9, seconds=20.0)], 0, chance.random)
    due = []
    while (found := schedule.find_next()) is not None:
        due.append(found[0])
        schedule.note_sent(found[1], found[0])
    gaps = [b - a for a, b in pairwise(due)]
    assert len(due) == pytest.approx(2000, rel=0.05)
    assert min(gaps) < 2_000_000 and max(gaps) > 18_000_000


def test_a_sender_that_was_held_up_does_not_catch_up() -> None:
    schedule = Schedule([stream()], 0, lambda: 0.5)
    schedule.note_sent(1, 200_000_000)
    assert schedule.late == 1
    assert schedule.find_next() == (210_000_000, 1)


@pytest.mark.parametrize(
    "wrong",
    [{"bytes": LEAST_BYTES - 1}, {"bytes": 1501}, {"dscp": 64}, {"bps": 0}, {"seconds": 31.0}, {"bps": 20_000_001},
     {"jitter": 1.1}],
)  # fmt: skip
def test_what_is_not_to_be_sent_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError):
        check_streams([stream(**wrong)])


def test_a_tally_counts_loss_order_and_marks() -> None:
    tally = Tally()
    for number, delay_ms, dscp in ((0, 1, 46), (2, 2, 46), (1, 9, 46), (1, 9, 46), (4, 3, 0)):
        tally.add(number, 0, delay_ms * 1_000_000, dscp, 200)
    told = tally.summarise(3)
    assert (told["received"], told["duplicated"], told["reordered"]) == (4, 1, 1)
    assert told["dscp"] == {"0": 1, "46": 3}
    assert told["delay_ms"] == {"least": 1.0, "p50": 2.0, "p95": 9.0, "p99": 9.0, "most": 9.0}
    assert sum(count for _, count in told["bins"]) == 4


def test_percentiles_are_by_nearest_rank() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.2 has other definitions too; this is the one of "nearest rank" (from memory).
    values = [15, 20, 35, 40, 50]
    assert [find_percentile(values, p) for p in (5, 30, 40, 50, 100)] == [15, 20, 20, 35, 50]


def test_streams_over_loopback_arrive_with_their_marks() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    probes_streams.udp_listen(port, 10.0)
    wanted = [dataclasses.asdict(stream(flow=f, dscp=d, port=port, seconds=0.3)) for f, d in ((1, 46), (2, 0))]
    began = time.monotonic()
    said = probes_streams.udp_stream(wanted, linger_s=0.1)
    assert 0.3 < time.monotonic() - began < 2.0
    flows = {f["flow"]: f for f in probes_streams.udp_collect(port)["flows"]}
    assert [f["sent"] for f in said["flows"]] == [30, 30]
    assert {n: (f["received"], f["dscp"], f["bytes"]) for n, f in flows.items()} == {
        1: (30, {"46": 30}, {"100": 30}),
        2: (30, {"0": 30}, {"100": 30}),
    }
    assert all(0 <= f["delay_ms"]["least"] < 50 for f in flows.values())
    with pytest.raises(ValueError, match="nothing listens"):
        probes_streams.udp_collect(port)


# ---------------------------------------------------------------- the gateway's witness


def ip_packet(protocol: int, payload: bytes, tos: int = 0xB8, offset: int = 0) -> bytes:
    head = struct.pack("!BBHHHBBH4s4s", 0x45, tos, 20 + len(payload), 1, offset, 64, protocol, 0, bytes(4), bytes(4))
    return head + payload


def udp(port: int, body: bytes) -> bytes:
    return struct.pack("!HHHH", 40000, port, 8 + len(body), 0) + body


@pytest.mark.parametrize(
    ("packet", "dscp"),
    [
        (ip_packet(17, udp(4500, b"\x01\x02\x03\x04" + bytes(40))), 46),  # RFC 3948 section 2.1
        (ip_packet(50, bytes(40), tos=0x48), 18),  # RFC 4303 section 2
        (ip_packet(17, udp(4500, bytes(4) + b"IKE")), None),  # RFC 3948 section 2.2
        (ip_packet(17, udp(4500, b"\xff") + bytes(20)), None),  # a keepalive, padded on the wire: section 2.3
        (ip_packet(17, udp(5004, b"\x01" * 40)), None),
        (ip_packet(17, bytes(40), offset=100), None),
        (b"\x60" + bytes(39), None),
        (b"", None),
    ],
)
def test_esp_is_told_apart_and_its_outer_mark_read(packet: bytes, dscp: int | None) -> None:
    assert read_esp(packet) == dscp


# ---------------------------------------------------------------- the device

CLASSES = Qos(
    1_800_000,
    (
        QosClass("voice", ("ef",), 400_000, 600_000),
        QosClass("tickets", ("af21", "cs5"), 500_000, 1_500_000),
        QosClass("standard", ("df",), 900_000, 1_800_000),
    ),
    (CONFIG.segments[0].name,),
)


def shaped(**changes: Any) -> DeviceConfig:
    return dataclasses.replace(CONFIG, qos=dataclasses.replace(CLASSES, **changes))


def test_queues_have_the_profiles_rates() -> None:
    files = part.render(shaped(), SITUATION)
    lines = files[part.QUEUES].splitlines()
    interface = SITUATION.uplink.interface
    assert lines[0].startswith(f"qdisc add dev {interface} root handle 1:") and lines[0].endswith("htb default 12")
    assert "rate 1800000bit ceil 1800000bit" in lines[1]
    assert "classid 1:10 htb rate 400000bit ceil 600000bit" in lines[2]
    assert "classid 1:11 htb rate 500000bit ceil 1500000bit" in lines[4]
    assert "classid 1:12 htb rate 900000bit ceil 1800000bit" in lines[6]
    assert all("pfifo limit" in line for line in lines[3::2])


def test_ethernets_own_header_is_not_counted() -> None:
    uplink = dataclasses.replace(SITUATION.uplink, kind="ethernet", interface="fixed")
    on_ethernet = part.render(shaped(), dataclasses.replace(SITUATION, uplink=uplink))[part.QUEUES]
    uplink = dataclasses.replace(SITUATION.uplink, kind="cellular", interface="wwan0")
    on_radio = part.render(shaped(), dataclasses.replace(SITUATION, uplink=uplink))[part.QUEUES]
    assert "stab overhead -14 linklayer ethernet" in on_ethernet and "stab" not in on_radio


def test_packets_are_sorted_by_mark_and_own_control_goes_first() -> None:
    table = part.render(shaped(), SITUATION)[part.SCRIPT]
    assert "ip dscp { 46 } meta priority set 1:10" in table
    assert "ip dscp { 18, 40 } meta priority set 1:11" in table
    assert "ip dscp { 0 } meta priority set 1:12" in table
    assert "ip dscp 48 meta priority set 1:10" in table
    assert "udp dport 4500 @th,64,32 0 ip dscp set 48" in table


def test_marks_of_others_are_taken_away() -> None:
    table = part.render(shaped(), SITUATION)[part.SCRIPT]
    trusted, other = CONFIG.segments[0], CONFIG.segments[1]
    assert f'iifname {{ "br{other.vlan}" }} ip dscp != 0 ip dscp set 0' in table
    assert f'iifname {{ "br{trusted.vlan}" }} ip dscp != {{ 0, 18, 40, 46 }} ip dscp set 0' in table


def test_without_classes_or_uplink_there_is_nothing_to_load() -> None:
    assert part.render(CONFIG, SITUATION) == {}
    idle = part.render(shaped(), dataclasses.replace(SITUATION, uplink=None))
    assert idle[part.QUEUES] == "" and "meta priority" not in idle[part.SCRIPT]


def test_all_queues_together_fit_the_socket_of_user_space_esp() -> None:
    fast = dataclasses.replace(CLASSES, uplink_bps=10**9)
    one = QosClass("bulk", ("af11",), 10**6, 10**9)
    assert part.count_places(fast, one, userspace=False) == part.MOST_QUEUE
    assert part.count_places(fast, one, userspace=True) * len(fast.classes) <= part.SOCKET_PACKETS


@pytest.mark.parametrize(
    ("changes", "section"),
    [
        ({"uplink_bps": 1_700_000}, "qos.classes"),
        ({"classes": (*CLASSES.classes, QosClass("more", ("ef",), 8000, 8000))}, "qos.classes"),
        ({"classes": (QosClass("voice", ("ef",), 400_000, 300_000), CLASSES.classes[2])}, "qos.classes[0]"),
        ({"classes": (QosClass("voice", (), 400_000, 600_000), CLASSES.classes[2])}, "qos.classes[0].dscp"),
        ({"trusted": ("cellar",)}, "qos.trusted"),
    ],
)
def test_a_tree_that_cannot_be_is_refused(changes: dict[str, Any], section: str) -> None:
    with pytest.raises(ApplyError) as caught:
        check_config(shaped(**changes))
    assert caught.value.section == section


# ---------------------------------------------------------------- what the check sends

SUITE = parse_suite("aes256gcm16", None)


def test_every_guarantee_is_offered_on_the_wire_and_best_effort_twice_the_uplink() -> None:
    plan = build_plan(qos=QOS)
    talker, flooder = load.find_talker(plan), load.find_flooder(plan)
    assert talker is not None and flooder is not None and talker.client != flooder.client
    streams = {s["flow"]: s for s in (*load.list_streams(plan, QOS, SUITE, talker), *load.list_flood(QOS, flooder))}
    for place, one in load.list_urgent(QOS):
        stream = streams[load.load_flow(place)]
        wire = stream["bps"] * load.find_wire_bytes(stream["bytes"], SUITE) / stream["bytes"]
        assert wire == pytest.approx(load.SHARE * one.guaranteed_bps, rel=1e-4)
    best = [streams[n] for n in (load.INSIDE, load.DIRECT, load.MARKED)]
    wires = [load.find_wire_bytes(1000, SUITE) / 1000, 1, 1]
    assert sum(s["bps"] * w for s, w in zip(best, wires, strict=True)) == pytest.approx(2 * QOS.uplink_bps, rel=1e-4)
    check_streams([Stream(**s) for s in streams.values()])


def test_streams_go_where_the_profile_lets_them() -> None:
    plan = build_plan(qos=QOS)
    segment = plan.branch.segments[0]
    only = dataclasses.replace(segment, reach=(Reach("hq", ("tcp/443", "udp/514", "udp/4000")),))
    assert load.find_udp_port(plan, only, "hq") == 4000
    assert load.find_udp_port(plan, only, "internet") is None
    apps = Applications(
        ("guest",), (Application("calls", "port", ("udp/7000",)), Application("web", "tls", ("tcp/443",)))
    )
    guest = plan.branch.segments[1]
    assert load.find_udp_port(build_plan(applications=apps), guest, "internet") == 7000
    narrow = dataclasses.replace(guest, reach=(Reach("internet", ("tcp/443", "udp/443")),))
    assert load.find_udp_port(build_plan(applications=apps), narrow, "internet") is None


def test_each_weakening_changes_the_served_classes_and_most_still_apply() -> None:
    plan = build_plan(qos=QOS)
    spoils = list_spoils(plan)
    assert CHECK.spoils(plan) and spoils[0].title == "the guarantee of class voice halved"
    assert len({s.title for s in spoils}) == len(spoils) >= 12
    for spoil in spoils:
        served: dict[str, Any] = json.loads(json.dumps({"qos": to_json(QOS)}))
        before = json.dumps(served, sort_keys=True)
        spoil.change(served)
        assert json.dumps(served, sort_keys=True) != before
        qos = served["qos"]
        if qos is not None:
            assert sum(c["guaranteed_bps"] for c in qos["classes"]) <= qos["uplink_bps"]
            assert all(c["guaranteed_bps"] <= c["ceiling_bps"] <= qos["uplink_bps"] for c in qos["classes"])


def test_half_a_guarantee_shows_only_where_the_uplink_is_guaranteed() -> None:
    assert shows_halving(QOS, 400_000)
    assert not shows_halving(dataclasses.replace(QOS, uplink_bps=5_000_000), 400_000)
