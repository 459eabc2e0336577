"""The run's captures in one file, as the tools of others read it (tshark, capinfos, mergecap): nothing is skipped where
they are missing, since nothing else shows that the file is what it should be."""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from harness.core.model import Observation, StageResult, TapeEntry
from harness.core.sample import build_plan
from harness.errors import InputError
from harness.marked_captures import MOST_COMMENT, write_marked
from harness.story.lanes import list_events, list_lanes
from harness.story.model import Event
from harness.timeline.merge import build_timeline
from harness.timeline.pcap import MOST_CAPTURED
from tests.unit.test_otlp import EVENTS, NASTY, SHOWN, STORY

S = 1_000_000_000
T0 = 1_796_078_871 * S
IP = bytes.fromhex("450000240000000040110000c612000ac612001e") + bytes.fromhex("1194119400100000") + bytes(8)
"""198.18.0.10 to 198.18.0.30, UDP 4500, 8 octets."""
FRAME = bytes.fromhex("00005e0053120000 5e00531108 00".replace(" ", "")) + IP


def run_tool(name: str, *args: str | Path) -> str:
    tool = shutil.which(name)
    assert tool, f"{name} is not there: apt-get install tshark wireshark-common"
    done = subprocess.run([tool, *map(str, args)], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


def list_fields(file: Path, *fields: str) -> list[list[str]]:
    wanted = [arg for field in fields for arg in ("-e", field)]
    told = run_tool("tshark", "-r", file, "-T", "fields", "-E", "separator=/t", "-E", "aggregator=|", *wanted)
    return [line.split("\t") for line in told.splitlines()]


def pcap(*packets: tuple[int, bytes, int], link: int, nano: bool = False, order: str = "<", snap: int = 2000) -> bytes:
    """pcap-savefile(5). A packet: instant in nanoseconds, octets captured, octets that there were."""
    magic, unit = (0xA1B23C4D, 1) if nano else (0xA1B2C3D4, 1000)
    content = struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, snap, link)
    for at_ns, data, length in packets:
        content += struct.pack(order + "IIII", at_ns // S, at_ns % S // unit, len(data), length) + data
    return content


INET = pcap((T0 + 1_500_000, FRAME, 60), (T0 + 4_000_000, FRAME, 60), (T0 + 9_000_000, FRAME, 1400), link=1)
GTP = pcap((T0 + 1_499_999, IP, 36), (T0 + 1_500_001, IP, 999), link=101, nano=True, order=">", snap=512)


@pytest.fixture
def run(tmp_path: Path) -> Path:
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "hq-gateway-inet.pcap").write_bytes(INET)
    (tmp_path / "captures" / "carrier-gtp0.pcap").write_bytes(GTP)
    return tmp_path


def decided(number: int, pointer: str, text: str = "sa.refused") -> Event:
    return Event(2.0, "hq", "hq-gateway", "ike", text, f"obs {number}{pointer}", "", number, "tunnel_up")


def test_packets_lie_in_order_of_time_as_they_were_captured(run: Path, tmp_path: Path) -> None:
    target = tmp_path / "all.pcapng"
    assert not any(".pcap:" in note for note in write_marked(run, STORY, target))
    fields = ("frame.time_epoch", "frame.interface_name", "frame.cap_len", "frame.len", "frame.encap_type")
    seconds = T0 // S
    assert list_fields(target, *fields) == [
        [f"{seconds}.001499999", "carrier-gtp0", "36", "36", "7"],
        [f"{seconds}.001500000", "hq-gateway-inet", "50", "60", "1"],
        [f"{seconds}.001500001", "carrier-gtp0", "36", "999", "7"],
        [f"{seconds}.004000000", "hq-gateway-inet", "50", "60", "1"],
        [f"{seconds}.009000000", "hq-gateway-inet", "50", "1400", "1"],
    ]
    raw = json.loads(run_tool("tshark", "-r", target, "-T", "json", "-x", "-j", "frame"))
    assert [packet["_source"]["layers"]["frame_raw"][0] for packet in raw] == [
        data.hex() for data in (IP, FRAME, IP, FRAME, FRAME)
    ]


def test_interfaces_are_the_captures(run: Path, tmp_path: Path) -> None:
    target = tmp_path / "all.pcapng"
    write_marked(run, STORY, target)
    told = run_tool("capinfos", target)
    assert "pcapng" in told and "Strict time order:   True" in told and "Capture application: branchproof" in told
    wanted = (("carrier-gtp0", "Raw IP", 512, 9, 2), ("hq-gateway-inet", "Ethernet", 2000, 6, 3))
    for number, (name, link, snap, digits, packets) in enumerate(wanted):
        part = told.split(f"Interface #{number} info:")[1].split("Interface #")[0]
        assert f"Name = {name}\n" in part and f"Description = captures/{name}.pcap\n" in part
        assert f"Encapsulation = {link}" in part and f"Capture length = {snap}\n" in part
        assert f"({digits})\n" in part and f"Number of packets = {packets}\n" in part


def test_the_file_holds_what_another_merger_makes_of_the_captures(run: Path, tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours.pcapng", tmp_path / "theirs.pcapng"
    write_marked(run, STORY, ours)
    run_tool("mergecap", "-w", theirs, *sorted((run / "captures").iterdir()))
    fields = ("frame.time_epoch", "frame.cap_len", "frame.len", "frame.protocols", "_ws.col.Info")
    assert list_fields(ours, *fields) == list_fields(theirs, *fields)


def test_only_packets_that_something_rests_on_are_commented(run: Path, tmp_path: Path) -> None:
    target = tmp_path / "all.pcapng"
    notes = write_marked(run, STORY, target)
    comments = [line[0] for line in list_fields(target, "frame.comment")]
    assert comments == [
        "",
        "",
        "",
        "stage tunnel_up decided: hq-gateway sa.refused (observation 2)"
        "|cause wrong_psk: HQ refuses the key (observation 2)",
        "",
    ]
    assert notes == ("no packet is marked: stage powered decided: router slot.started slot=a (observation 0)",)
    section = run_tool("capinfos", "-k", target)
    assert "run kiosk-20261130-abc: NOT PROVEN kiosk / pier" in section and notes[0] in section


def test_two_that_rest_on_one_packet_are_both_told(run: Path, tmp_path: Path) -> None:
    place = ", captures/carrier-gtp0.pcap#2"
    story = replace(
        STORY, causes=(), events=(decided(7, place, "sa.established"), decided(8, place, "child.installed"))
    )
    assert write_marked(run, story, tmp_path / "all.pcapng") == ()
    told = list_fields(tmp_path / "all.pcapng", "frame.comment")[2][0]
    assert told == (
        "stage tunnel_up decided: hq-gateway sa.established (observation 7)"
        "|stage tunnel_up decided: hq-gateway child.installed (observation 8)"
    )


def test_the_packet_is_the_one_that_the_timeline_points_to(run: Path, tmp_path: Path) -> None:
    ike = bytes(16) + bytes([33, 0x20, 35, 0x08]) + (1).to_bytes(4, "big") + (28).to_bytes(4, "big")  # RFC 7296 3.1
    lengths = (struct.pack(">H", 28 + 4 + len(ike)), struct.pack(">H", 8 + 4 + len(ike)))  # of IPv4, of UDP
    packet = FRAME[:16] + lengths[0] + FRAME[18:38] + lengths[1] + FRAME[40:42] + bytes(4) + ike
    capture = run / "captures" / "hq-gateway-inet.pcap"
    capture.write_bytes(pcap((T0, FRAME, 50), (T0 + 20_000_000, packet, len(packet)), (T0 + S, FRAME, 50), link=1))
    seen = Observation("hq-gateway", "core", "sa.established", 30_000_000, 30_000_000, T0 + 30_000_000, 0, {"ike": "x"})
    tape = [TapeEntry("start", 0), TapeEntry("observation", seen.at_ns, seen, 0)]
    captures = {"captures/hq-gateway-inet.pcap": capture.read_bytes()}
    timeline = build_timeline(None, tape, {}, captures, 0)
    reached = StageResult("tunnel_up", "PASS", 0.03, 10.0, "established", (), (0,))
    events, _ = list_events(timeline, list_lanes(build_plan()), (reached,))
    assert write_marked(run, replace(STORY, events=events, causes=()), tmp_path / "all.pcapng") == ()
    told = [line for line in list_fields(tmp_path / "all.pcapng", "isakmp.exchangetype", "frame.comment") if line[1]]
    assert told == [["35", "stage tunnel_up decided: hq-gateway sa.established ike=x (observation 0)"]]


@pytest.mark.parametrize("pointer", ["", ", captures/hq-gateway-inet.pcap#4", ", captures/elsewhere.pcap#1"])
def test_what_no_packet_shows_is_noted(run: Path, tmp_path: Path, pointer: str) -> None:
    story = replace(STORY, events=(decided(2, pointer),))
    (note,) = write_marked(run, story, tmp_path / "all.pcapng")
    assert note == "no packet is marked: stage tunnel_up decided: hq-gateway sa.refused (observation 2)"
    assert {line[0] for line in list_fields(tmp_path / "all.pcapng", "frame.comment")} == {""}


def test_a_stage_with_a_marked_packet_is_not_noted_whatever_else_decided_it(run: Path, tmp_path: Path) -> None:
    shown, unseen = decided(2, ", captures/hq-gateway-inet.pcap#1"), decided(3, "")
    for events in ((shown, unseen), (unseen, shown), (unseen, shown, unseen)):
        assert write_marked(run, replace(STORY, events=events), tmp_path / "all.pcapng") == ()


def test_hostile_texts_are_written_out_and_long_ones_cut(run: Path, tmp_path: Path) -> None:
    nasty = replace(EVENTS[3], text=NASTY + "é" * 70_000)
    story = replace(STORY, events=(nasty,), headline=NASTY * 10_000, causes=())
    write_marked(run, story, tmp_path / "all.pcapng")
    told = list_fields(tmp_path / "all.pcapng", "frame.comment")[3][0]
    assert told.startswith(f"stage tunnel_up decided: hq-gateway {SHOWN}é")
    assert told.endswith("é... (observation 2)") and len(told) < MOST_COMMENT + 50
    assert f"run {STORY.run}: {SHOWN}" in run_tool("capinfos", "-k", tmp_path / "all.pcapng")


def test_a_capture_that_was_cut_is_taken_as_far_as_it_is_whole(run: Path, tmp_path: Path) -> None:
    (run / "captures" / "hq-gateway-inet.pcap").write_bytes(INET[:-1])
    (run / "captures" / "internet-inet.pcap").write_bytes(b"not a capture, and longer than a head")
    notes = write_marked(run, STORY, tmp_path / "all.pcapng")
    assert notes[:2] == (
        "captures/hq-gateway-inet.pcap: cut or broken within packet 3: left out from there",
        "captures/internet-inet.pcap: left out, since it is no pcap file",
    )
    names = [line[0] for line in list_fields(tmp_path / "all.pcapng", "frame.interface_name")]
    assert names == ["carrier-gtp0", "hq-gateway-inet", "carrier-gtp0", "hq-gateway-inet"]


def test_a_capture_that_is_broken_within_leaves_a_file_that_readers_take(run: Path, tmp_path: Path) -> None:
    broken = pcap((T0, bytes(MOST_CAPTURED + 1), 9), (T0, FRAME, 50), link=1)
    short = pcap((T0, FRAME, 3), (2**32 * S - 1, FRAME, 0), link=1, snap=0)
    (run / "captures" / "hq-gateway-inet.pcap").write_bytes(broken)
    (run / "captures" / "internet-inet.pcap").write_bytes(short)
    notes = write_marked(run, replace(STORY, events=()), tmp_path / "all.pcapng")
    assert notes == ("captures/hq-gateway-inet.pcap: cut or broken within packet 1: left out from there",)
    told = list_fields(tmp_path / "all.pcapng", "frame.time_epoch", "frame.interface_name", "frame.cap_len")
    assert told[0] == [f"{T0 // S}.000000000", "internet-inet", "50"]
    assert told[-1] == [f"{2**32 - 1}.999999000", "internet-inet", "50"]


@pytest.mark.parametrize("content", [None, b""])
def test_a_run_without_captures_is_refused_and_nothing_written(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "captures").mkdir()
        (tmp_path / "captures" / "internet-inet.pcap").write_bytes(content)
    with pytest.raises(InputError, match="saw none"):
        write_marked(tmp_path, STORY, tmp_path / "all.pcapng")
    assert not (tmp_path / "all.pcapng").exists()


def test_the_same_run_makes_the_same_file(run: Path, tmp_path: Path) -> None:
    write_marked(run, STORY, tmp_path / "one.pcapng")
    write_marked(run, STORY, tmp_path / "two.pcapng")
    assert (tmp_path / "one.pcapng").read_bytes() == (tmp_path / "two.pcapng").read_bytes()
