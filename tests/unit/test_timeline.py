"""The timeline: clocks brought together, packets found, text made safe; and where two runs part."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import pytest

from emulators.common.record import to_json
from harness.core.model import Observation, TapeEntry
from harness.core.sample import build_plan
from harness.errors import InputError
from harness.reports.at_lines import asks_for_pin, strike
from harness.reports.compare import render_keys, render_message, render_stage
from harness.reports.escape import escape
from harness.reports.timeline import render_entries
from harness.run_reading import read_run
from harness.timeline.compare import (
    find_message_difference,
    find_stage_difference,
    list_key_differences,
    normalise,
)
from harness.timeline.entries import Entry, measure_wall, read_log
from harness.timeline.merge import build_timeline, choose
from harness.timeline.packets import read_packets
from harness.timeline.pcap import PcapError

S = 1_000_000_000
WALL = 1_700_000_000 * S


def seen(source: str, kind: str, at_s: float, seq: int = 0, wall_ns: int | None = None, **data: object) -> Observation:
    at_ns = int(at_s * S)
    return Observation(source, "core", kind, at_ns, at_ns, WALL + at_ns if wall_ns is None else wall_ns, seq, data)


def tape(*observations: Observation) -> list[TapeEntry]:
    start = TapeEntry("start", int(0.5 * S))
    return [start, *(TapeEntry("observation", o.at_ns, o, n) for n, o in enumerate(observations))]


def udp(source: int, target: int, data: bytes) -> bytes:
    body = struct.pack(">HHHH", source, target, 8 + len(data), 0) + data
    head = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(body), 0, 0, 64, 17, 0, bytes([198, 18, 0, 10]),
                       bytes([198, 18, 0, 30]))  # fmt: skip
    return head + body


def pcap(*packets: tuple[int, bytes], link: int = 101) -> bytes:
    """pcap-savefile(5), microseconds, little endian."""
    content = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, link)
    for wall_ns, data in packets:
        content += struct.pack("<IIII", wall_ns // S, wall_ns % S // 1000, len(data), len(data)) + data
    return content


IKE = bytes(16) + bytes([33, 0x20, 35, 0x08]) + (1).to_bytes(4, "big") + (28).to_bytes(4, "big")
"""An IKE header (RFC 7296 section 3.1): version 2.0, IKE_AUTH, from the initiator, message 1."""
DHCP = bytes(236) + b"\x63\x82\x53\x63" + bytes([53, 1, 5, 255])
"""RFC 2131 section 3, RFC 2132 section 9.6: an ACK."""


def test_packets_are_told_by_what_they_carry() -> None:
    content = pcap((WALL, udp(4500, 4500, bytes(4) + IKE)), (WALL + S, udp(67, 68, DHCP)), (WALL, udp(9, 9, b"x")))
    packets = list(read_packets(content))
    assert [(p.number, p.cls) for p in packets] == [(1, "ike"), (2, "dhcp"), (3, "")]
    assert packets[0].text == "198.18.0.10 > 198.18.0.30 IKE_AUTH request 1"
    assert packets[1].text.endswith("DHCPACK") and packets[1].wall_ns == WALL + S


def test_esp_in_udp_is_no_ike() -> None:
    assert [p.cls for p in read_packets(pcap((WALL, udp(4500, 4500, b"\x01" * 40))))] == [""]


@pytest.mark.parametrize("cut", [0, 3, 23])
def test_no_capture_is_named(cut: int) -> None:
    with pytest.raises(PcapError):
        list(read_packets(pcap()[:cut]))


def test_a_capture_cut_short_is_read_as_far_as_it_goes() -> None:
    content = pcap((WALL, udp(500, 500, IKE)), (WALL, udp(500, 500, IKE)))
    assert len(list(read_packets(content[:-1]))) == 1


@pytest.mark.parametrize("size", range(0, 60, 7))
def test_any_packet_is_read(size: int) -> None:
    whole = udp(67, 68, DHCP)[:size]
    for link in (1, 12, 101, 113, 276, 999):
        assert len(list(read_packets(pcap((WALL, whole), link=link)))) == 1


def test_a_log_line_has_the_time_at_which_it_was_written() -> None:
    text = "12.500000 12.345 charon: 05[IKE] hello\n13.000000 no stamp of its own\n14.000000 1795857086.123 a number\n"
    entries = list(read_log("hq-gateway", text, 2 * S))
    assert entries[0].at_ns == round(10.345 * S) and entries[0].kind == "ike"
    assert entries[1].at_ns == 13 * S and entries[1].pointer == "nodes/hq-gateway.log:2"
    assert entries[2].at_ns == 14 * S  # a stamp after it was received is none


def test_a_line_without_time_stands_with_the_next() -> None:
    entries = list(read_log("x", "(3 earlier lines were dropped)\n5.000000 5.000 a\n", 0))
    assert [e.at_ns for e in entries] == [5 * S, 5 * S]


def test_the_routers_own_clock_places_no_packet() -> None:
    heard = [seen("router", "boot.started", 1.0, wall_ns=5), seen("carrier", "pdn.granted", 2.0)]
    wall = measure_wall(heard, "internet")
    assert wall is not None and wall.offset_ns == WALL
    assert measure_wall(heard[:1], "internet") is None


def test_one_list_in_the_order_in_which_it_happened() -> None:
    heard = tape(
        seen("router", "boot.started", 1.0, boot_count=1),
        seen("hq-gateway", "sa.established", 3.0, ike="x"),
    )
    captures = {"captures/hq-gateway-inet.pcap": pcap((WALL + int(2.9 * S), udp(500, 500, IKE)))}
    logs = {"hq-gateway": "2.960000 2.950 charon: 01[IKE] word\n"}
    timeline = build_timeline(None, heard, logs, captures, 0)
    assert timeline.zero_ns == S
    assert [e.pointer for e in timeline.entries] == [
        "obs 0", "captures/hq-gateway-inet.pcap#1", "nodes/hq-gateway.log:1", "obs 1, captures/hq-gateway-inet.pcap#1",
    ]  # fmt: skip
    lines = render_entries(timeline.entries, timeline.zero_ns)
    words = " ".join(lines[1].split())
    assert (
        words == "+1.900 hq-gateway ike 198.18.0.10 > 198.18.0.30 IKE_AUTH request 1 [captures/hq-gateway-inet.pcap#1]"
    )
    assert len(choose(timeline.entries, nodes=["hq-gateway"], kinds=["ike"], text="WORD")) == 1


def test_a_pointer_never_leads_to_a_packet_that_came_later() -> None:
    heard = tape(seen("router", "boot.started", 1.0), seen("hq-gateway", "sa.established", 3.0))
    captures = {"captures/hq-gateway-inet.pcap": pcap((WALL + int(3.1 * S), udp(500, 500, IKE)))}
    timeline = build_timeline(None, heard, {}, captures, 0)
    assert timeline.entries[1].pointer == "obs 1"


def test_nothing_in_a_log_acts_on_the_terminal() -> None:
    text = "\x1b[2Jred\x07 \u202eback\u2066 \x9b1m é ok"
    shown = escape(text)
    assert shown == "\\x1b[2Jred\\x07 \\u202eback\\u2066 \\x9b1m é ok"
    line = render_entries([Entry(0, "router", "log", text, "")], 0)[0]
    assert "\x1b" not in line and "\u202e" not in line


def test_pins_and_passwords_are_not_shown() -> None:
    assert strike('AT+CPIN="1234";+CREG?') == "AT+CPIN=***;+CREG?"
    assert strike('AT+CGAUTH=1,2,"user","word"') == "AT+CGAUTH=***"
    assert strike("AT+CPIN?") == "AT+CPIN?"
    assert asks_for_pin("AT+CPIN=") and not asks_for_pin("AT+CPIN?")


def write_run(folder: Path, tail: bytes = b"") -> Path:
    folder.mkdir()
    lines = [json.dumps(to_json(e)).encode() for e in tape(seen("router", "boot.started", 1.0))]
    (folder / "tape.jsonl").write_bytes(b"\n".join(lines) + b"\n" + tail)
    (folder / "plan.json").write_text(json.dumps(to_json(build_plan())))
    return folder


def test_a_killed_runs_tape_is_read_to_its_cut(tmp_path: Path) -> None:
    run = read_run(write_run(tmp_path / "a", b'{"kind":"obser'))
    assert len(run.tape) == 2
    assert any("cut" in note for note in run.notes) and any("verdict.json" in note for note in run.notes)


def test_a_tape_broken_within_is_an_error(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "a")
    (folder / "tape.jsonl").write_bytes(b"{broken\n" + (folder / "tape.jsonl").read_bytes())
    with pytest.raises(InputError, match=r"tape\.jsonl:1"):
        read_run(folder)


def test_what_is_no_run_is_said(tmp_path: Path) -> None:
    for path in (tmp_path / "nonesuch", tmp_path):
        with pytest.raises(InputError):
            read_run(path)


def test_logs_of_any_octets_are_read(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "a")
    (folder / "nodes").mkdir()
    (folder / "nodes" / "x.log").write_bytes(b"1.000000 \xff\xfe\x1b\n")
    entries = list(read_log("x", read_run(folder).read_logs()["x"], 0))
    assert escape(entries[0].text) == "\\xff\\xfe\\x1b"


def test_what_differs_in_any_two_runs_is_no_difference() -> None:
    one = [seen("hq-gateway", "sa.established", 3.0, remote="198.18.0.10:23412", ike="a")]
    other = [seen("hq-gateway", "sa.established", 9.0, remote="198.18.0.10:9", ike="a")]
    assert find_message_difference(one, other, 0, 0) is None
    assert normalise(seen("management", "heartbeat.received", 1.0, serial="x")) is None


def test_the_earliest_message_that_differs_is_found() -> None:
    same = [seen("carrier", "attach.accepted", 1.0, imsi="1"), seen("management", "session.refused", 5.0, reason="a")]
    one = [*same, seen("carrier", "pdn.refused", 2.0, apn="a", cause=27)]
    other = [same[0], seen("management", "session.refused", 5.0, reason="b")]
    other.append(seen("carrier", "pdn.granted", 2.0, apn="a"))
    found = find_message_difference(one, other, 0, 0)
    assert found is not None and found.node == "carrier" and found.one_at_s == 2.0
    text = render_message(found)
    assert "pdn.refused" in text and all(len(line) <= 80 for line in text.splitlines())


def test_stages_part_by_outcome_before_time() -> None:
    one = [{"stage": "a", "outcome": "PASS", "took_s": 1.0}, {"stage": "b", "outcome": "FAIL", "took_s": None}]
    other = [{"stage": "a", "outcome": "PASS", "took_s": 9.0}, {"stage": "b", "outcome": "PASS", "took_s": 1.0}]
    found = find_stage_difference(one, other)
    assert found is not None and found.stage == "b"
    assert find_stage_difference(one[:1], one[:1]) is None
    slow = find_stage_difference(one[:1], other[:1])
    assert slow is not None and slow.stage == "a" and "part at a" in render_stage(slow)


def test_a_second_more_or_less_is_noise() -> None:
    one, other = ([{"stage": "a", "outcome": "PASS", "took_s": t}] for t in (1.0, 1.9))
    assert find_stage_difference(one, other) is None


def test_configurations_part_at_a_key() -> None:
    one = {"branch": {"sims": [{"apn": "a"}]}, "profile_digest": "1", "only": ["x"]}
    found = list_key_differences(one, {"branch": {"sims": [{"apn": "b"}]}, "profile_digest": "2", "only": []})
    assert [d.path for d in found] == ["branch.sims[0].apn"]
    assert "branch.sims[0].apn" in render_keys(found)
