"""The inspector: what it makes of packets, however they come. Pure parts, and the rules that bring packets to it."""

from __future__ import annotations

import socket
import ssl
import struct
from itertools import pairwise, permutations
from typing import Any

import dns.message
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.common.probes_applications import cut_records
from emulators.common.threat_bodies import PATTERNS, build_body
from emulators.common.try_packets import build_ipv4, build_udp
from emulators.router.runtime.apply.inspection import marks, nfqueue
from emulators.router.runtime.apply.inspection.answers import read_answer
from emulators.router.runtime.apply.inspection.client_hello import NotTlsError, is_allowed, read_server_name
from emulators.router.runtime.apply.inspection.machine import (
    DATAGRAMS,
    DEPTH_BYTES,
    HOLD_S,
    MOST_HELD,
    Address,
    Inspector,
    Settings,
    Threat,
    Verdict,
)
from emulators.router.runtime.apply.inspection.nfqueue import Queued
from emulators.router.runtime.apply.inspection.packet import ACK, SYN, parse_packet
from emulators.router.runtime.apply.inspection.signatures import SCAN_PORTS, SCAN_S, Scans
from emulators.router.runtime.apply.inspection.stream import MOST_AHEAD_BYTES, Stream

CLIENT, SERVER = "10.20.10.100", "198.18.0.60"
NAMES = {443: ("tickets.example", ".shop.example")}


def hello(name: str | None) -> bytes:
    """Return the ClientHello that OpenSSL sends."""
    context = ssl.create_default_context()
    context.check_hostname = False
    out = ssl.MemoryBIO()
    with pytest.raises(ssl.SSLWantReadError):
        context.wrap_bio(ssl.MemoryBIO(), out, server_hostname=name).do_handshake()
    return out.read()


def tcp(sequence: int, payload: bytes = b"", *, back: bool = False, flags: int = ACK, port: int = 443) -> bytes:
    ends = (SERVER, CLIENT, port, 40000) if back else (CLIENT, SERVER, 40000, port)
    head = struct.pack("!HHLLBBHHH", ends[2], ends[3], sequence & 0xFFFFFFFF, 1, 5 << 4, flags, 64240, 0, 0)
    return build_ipv4(ends[0], ends[1], 6, head + payload)


class Line:
    """One connection through an inspector."""

    def __init__(self, ask: int, **settings: Any) -> None:
        self.inspector = Inspector(Settings(**settings), read_answer)
        self.ask, self.number, self.now_s = ask, 0, 0.0

    def send(self, data: bytes, ask: int | None = None) -> list[Any]:
        self.number += 1
        return self.inspector.on_packet(Queued(self.number, self.ask if ask is None else ask, data), self.now_s)

    def open(self) -> None:
        (verdict,) = self.send(tcp(999, flags=SYN))
        assert verdict.accept


def fate(effects: list[Any]) -> list[str]:
    """Return what became of packets: passed, refused or dropped."""
    return [
        "dropped" if not e.accept else "refused" if e.mark & marks.REFUSE else "passed"
        for e in effects
        if isinstance(e, Verdict)
    ]


def cut(data: bytes, size: int) -> list[tuple[int, bytes]]:
    return [(1000 + at, data[at : at + size]) for at in range(0, len(data), size)]


# ---------------------------------------------------------------- the server's name


@pytest.mark.parametrize("name", ["tickets.example", "TICKETS.example", "a.b.shop.example"])
def test_the_name_in_openssl_s_hello_is_read(name: str) -> None:
    assert read_server_name(hello(name)) == (True, name.lower())


def test_a_hello_without_a_name_has_none() -> None:
    assert read_server_name(hello(None)) == (True, None)


@pytest.mark.parametrize("size", [1, 3, 12, 200])
def test_a_hello_in_many_records_is_read(size: int) -> None:  # RFC 8446 section 5.1
    assert read_server_name(cut_records(hello("tickets.example"), size)) == (True, "tickets.example")


def test_each_beginning_of_a_hello_is_incomplete() -> None:
    whole = hello("tickets.example")
    assert {read_server_name(whole[:end]) for end in range(len(whole))} == {(False, None)}


@pytest.mark.parametrize(
    "data",
    [b"GET / HTTP/1.1\r\n", b"SSH-2.0-x\r\n", b"\x17\x03\x03\0\x01x", b"\x16\x02\0\0\x01\x01", b"\x16\x03\x01\0\0",
     b"\x16\x03\x03\0\x04\x02\0\0\0", b"\x16\x03\x01\0\x04\x01\xff\xff\xff"],
)  # fmt: skip
def test_what_is_no_hello_is_known_at_once(data: bytes) -> None:
    with pytest.raises(NotTlsError):
        read_server_name(data)


@given(st.binary(max_size=300))
def test_any_bytes_are_a_hello_or_an_error_of_its_own(data: bytes) -> None:
    try:
        read_server_name(
            b"\x16\x03\x01" + struct.pack("!H", len(data) + 4) + b"\x01" + len(data).to_bytes(3, "big") + data
        )
    except NotTlsError:
        return


def _extension(content: bytes) -> bytes:
    return struct.pack("!HH", 0, len(content)) + content


def _with_extensions(extensions: bytes) -> bytes:
    body = (
        b"\x03\x03"
        + bytes(32)
        + b"\0"
        + b"\0\x02\x13\x01"
        + b"\x01\0"
        + struct.pack("!H", len(extensions))
        + extensions
    )
    message = b"\x01" + len(body).to_bytes(3, "big") + body
    return b"\x16\x03\x01" + struct.pack("!H", len(message)) + message


def test_two_names_are_refused() -> None:  # RFC 6066 section 3, RFC 8446 section 4.2
    one = b"\0" + struct.pack("!H", 9) + b"a.example"
    listed = struct.pack("!H", len(one)) + one
    assert read_server_name(_with_extensions(_extension(listed))) == (True, "a.example")
    two = struct.pack("!H", 2 * len(one)) + one + one
    for extensions in (_extension(two), _extension(listed) + _extension(listed)):
        with pytest.raises(NotTlsError):
            read_server_name(_with_extensions(extensions))


@pytest.mark.parametrize(
    ("name", "allowed"),
    [("tickets.example", True), ("shop.example", True), ("a.shop.example", True), ("sub.tickets.example", False),
     ("xtickets.example", False), ("ashop.example", False), ("tickets.example.other", False), (None, False)],
)  # fmt: skip
def test_a_dot_in_front_means_sub_domains_too(name: str | None, allowed: bool) -> None:
    assert is_allowed(name, NAMES[443]) is allowed


# ---------------------------------------------------------------- connections by name


@pytest.mark.parametrize("size", [3000, 517, 200, 16, 7])
@pytest.mark.parametrize(
    ("name", "end"), [("tickets.example", "passed"), ("other.example", "refused"), (None, "refused")]
)
def test_a_hello_is_judged_alike_however_it_is_cut(name: str | None, end: str, size: int) -> None:
    line = Line(marks.ASK_NAME, names=NAMES)
    line.open()
    pieces = cut(hello(name), size)
    effects = [line.send(tcp(at, piece)) for at, piece in pieces]
    assert fate(effects[-1])[-1] == end
    assert sum(map(len, effects)) == len(pieces)  # each packet has its verdict, once
    early = fate([e for one in effects[:-1] for e in one])
    assert set(early) <= {"passed"}
    assert len(early) == max(0, len(pieces) - 1 - MOST_HELD)
    if end == "passed":
        assert all(e.mark & marks.NAMED for e in effects[-1])


def test_a_hello_out_of_order_is_judged_when_it_is_whole() -> None:
    for order in permutations(cut(hello("other.example"), 200)):
        line = Line(marks.ASK_NAME, names=NAMES)
        line.open()
        effects = [line.send(tcp(at, piece)) for at, piece in order]
        assert [len(one) for one in effects] == [0] * (len(order) - 1) + [len(order)]
        assert set(fate(effects[-1])) == {"refused"}


def test_a_second_story_about_the_same_bytes_is_refused() -> None:
    line = Line(marks.ASK_NAME, names=NAMES)
    line.open()
    good, bad = hello("tickets.example"), hello("xickets.example")
    line.send(tcp(1000, good[:300]))
    assert set(fate(line.send(tcp(1000, bad)))) == {"refused"}


@pytest.mark.parametrize("data", [b"GET / HTTP/1.1\r\nHost: tickets.example\r\n\r\n", b"anything\r\n"])
def test_what_is_not_tls_is_refused_at_its_first_byte(data: bytes) -> None:
    line = Line(marks.ASK_NAME, names=NAMES)
    line.open()
    assert fate(line.send(tcp(1000, data[:1]))) == ["refused"]
    assert fate(line.send(tcp(1001, data[1:]))) == ["refused"]


def test_a_name_counts_at_its_own_port_only() -> None:
    line = Line(marks.ASK_NAME, names={**NAMES, 8443: ("other.example",)})
    assert fate(line.send(tcp(1000, hello("tickets.example"), port=8443))) == ["refused"]


def test_no_server_speaks_before_it_is_named() -> None:
    line = Line(marks.ASK_NAME, names=NAMES)
    line.open()
    assert fate(line.send(tcp(5000, back=True, flags=SYN | ACK))) == ["passed"]
    assert fate(line.send(tcp(5001, b"220 ready\r\n", back=True))) == ["refused"]


def test_a_hello_that_never_ends_is_refused_in_time() -> None:
    line = Line(marks.ASK_NAME, names=NAMES)
    line.open()
    assert line.send(tcp(1000, hello("tickets.example")[:100])) == []
    assert line.inspector.on_time(HOLD_S - 0.1) == []
    assert fate(line.inspector.on_time(HOLD_S)) == ["refused"]
    assert line.inspector.on_time(HOLD_S + 1) == []


def test_a_new_connection_from_the_same_port_is_judged_anew() -> None:
    line = Line(marks.ASK_NAME, names=NAMES)
    line.open()
    assert line.send(tcp(1000, hello("tickets.example")[:100])) == []
    assert fate(line.send(tcp(7999, flags=SYN))) == ["refused", "passed"]
    assert fate(line.send(tcp(8000, hello("tickets.example")))) == ["passed"]


# ---------------------------------------------------------------- signatures


@pytest.mark.parametrize("signature", ["test-file", "root-answer"])
@pytest.mark.parametrize("size", [1000, 68, 7, 1])
@pytest.mark.parametrize("back", [False, True])
def test_a_pattern_is_found_however_it_is_cut(signature: str, size: int, back: bool) -> None:
    line = Line(marks.ASK_THREAT, signatures=(signature,), action="drop")
    body = build_body(signature, clean=False)
    effects = [e for at, piece in cut(body, size) for e in line.send(tcp(at, piece, back=back))]
    ends = (SERVER, CLIENT) if back else (CLIENT, SERVER)
    assert [e for e in effects if isinstance(e, Threat)] == [Threat(signature, *ends, "drop")]
    fates = fate(effects)
    first = fates.index("refused")
    assert set(fates[first:]) == {"refused"}
    passed = b"".join(piece for _, piece in cut(body, size)[:first])
    assert PATTERNS[signature] not in passed
    assert fate(line.send(tcp(1, b"more", back=not back))) == ["refused"]


def test_alert_tells_once_and_lets_pass() -> None:
    line = Line(marks.ASK_THREAT, signatures=("test-file", "root-answer"), action="alert")
    body = build_body("root-answer", clean=False)
    effects = [e for at, piece in cut(body, 9) for e in line.send(tcp(at, piece))]
    assert [e.signature for e in effects if isinstance(e, Threat)] == ["root-answer"]
    assert set(fate(effects)) == {"passed"}
    again = [e for at, piece in cut(body, 9) for e in line.send(tcp(at, piece))]
    assert set(fate(again)) == {"passed"}  # sent again: nothing new
    assert not any(isinstance(e, Threat) for e in again)


@pytest.mark.parametrize("signature", ["test-file", "root-answer"])
def test_a_clean_twin_raises_nothing(signature: str) -> None:
    line = Line(marks.ASK_THREAT, signatures=("test-file", "root-answer"), action="drop")
    body = build_body(signature, clean=True)
    effects = [e for at, piece in cut(body, 5) for e in line.send(tcp(at, piece))]
    assert set(fate(effects)) == {"passed"}
    assert not any(isinstance(e, Threat) for e in effects)


def test_a_pattern_that_is_off_is_not_found() -> None:
    line = Line(marks.ASK_THREAT, signatures=("root-answer", "port-scan"), action="drop")
    effects = line.send(tcp(1000, build_body("test-file", clean=False)))
    assert fate(effects) == ["passed"]


def test_a_segment_that_contradicts_is_dropped_and_the_connection_goes_on() -> None:
    line = Line(marks.ASK_THREAT, signatures=("test-file",), action="drop")
    assert fate(line.send(tcp(1000, b"one story"))) == ["passed"]
    assert fate(line.send(tcp(1000, b"two story"))) == ["dropped"]
    assert fate(line.send(tcp(1009, b" and its end"))) == ["passed"]


def test_a_segment_too_far_ahead_is_taken_when_it_comes_again() -> None:
    line = Line(marks.ASK_THREAT, signatures=("test-file",), action="drop")
    assert fate(line.send(tcp(1000, b"begin"))) == ["passed"]
    far = 1005 + MOST_AHEAD_BYTES
    assert fate(line.send(tcp(far, b"end"))) == ["dropped"]
    assert fate(line.send(tcp(1005, bytes(1000)))) == ["passed"]
    assert fate(line.send(tcp(far, b"end"))) == ["passed"]


def test_a_stream_is_looked_through_as_far_as_its_depth() -> None:
    line = Line(marks.ASK_THREAT, signatures=("test-file",), action="drop")
    filler = bytes(1000)
    verdicts = [line.send(tcp(1000 + n * 1000, filler))[-1] for n in range(DEPTH_BYTES // 1000 + 1)]
    assert [bool(v.mark & marks.DONE) for v in verdicts] == [False] * (len(verdicts) - 1) + [True]


def test_a_datagram_is_found_and_dropped() -> None:
    line = Line(marks.ASK_THREAT, signatures=("test-file",), action="drop")
    dirty = build_udp(CLIENT, SERVER, (4000, 5000), build_body("test-file", clean=False))
    effects = line.send(dirty)
    assert fate(effects) == ["dropped"]
    assert Threat("test-file", CLIENT, SERVER, "drop") in effects


def test_datagrams_are_looked_at_up_to_their_number() -> None:
    line = Line(marks.ASK_THREAT, signatures=("test-file",), action="drop")
    verdicts = [line.send(build_udp(CLIENT, SERVER, (4000, 5000), b"voice"))[-1] for _ in range(DATAGRAMS)]
    assert [bool(v.mark & marks.DONE) for v in verdicts] == [False] * (DATAGRAMS - 1) + [True]


def test_a_scan_is_told_once_and_not_dropped() -> None:
    line = Line(marks.ASK_THREAT, signatures=("port-scan",), action="drop")
    effects = [e for port in range(1, 101) for e in line.send(tcp(999, flags=SYN, port=port))]
    assert [e for e in effects if isinstance(e, Threat)] == [Threat("port-scan", CLIENT, SERVER, "alert")]
    assert set(fate(effects)) == {"passed"}


def test_many_connections_to_one_port_are_no_scan() -> None:
    scans = Scans()
    assert not any(scans.ask(CLIENT, SERVER, 443, n / 100) for n in range(500))


def test_slow_or_few_ports_are_no_scan() -> None:
    scans = Scans()
    assert not any(scans.ask(CLIENT, SERVER, port, 0.0) for port in range(SCAN_PORTS - 1))
    scans = Scans()
    assert not any(scans.ask(CLIENT, SERVER, port, port * SCAN_S / SCAN_PORTS * 1.1) for port in range(500))


def test_a_scan_is_told_again_after_a_pause() -> None:
    scans = Scans()
    first = [scans.ask(CLIENT, SERVER, port, port / 1000) for port in range(60)]
    later = [scans.ask(CLIENT, SERVER, port, 100 + port / 1000) for port in range(60)]
    assert sum(first) == sum(later) == 1


def test_what_was_refused_before_counts_for_scans() -> None:
    line = Line(marks.ASK_THREAT | marks.REFUSE, signatures=("port-scan",), action="drop")
    effects = [e for port in range(1, 61) for e in line.send(tcp(999, flags=SYN, port=port))]
    assert any(isinstance(e, Threat) for e in effects)
    assert set(fate(effects)) == {"refused"}


# ---------------------------------------------------------------- answers for names


def _answer(name: str, *addresses: str) -> bytes:
    response = dns.message.make_response(dns.message.make_query(name, "A"))
    for address in addresses:
        response.answer.append(dns.rrset.from_text(f"{name}.", 60, "IN", "A", address))
    return response.to_wire()


def test_an_address_is_told_before_the_answer_goes_out() -> None:
    line = Line(marks.ASK_ANSWER, answers={"application_1": ("weather.example",), "application_2": (".tides.example",)})
    answer = build_udp("10.20.10.1", CLIENT, (53, 40000), _answer("Weather.example", "198.18.0.61"))
    effects = line.send(answer)
    assert effects == [Address("application_1", "198.18.0.61"), Verdict(1, True, marks.ASK_ANSWER)]


@pytest.mark.parametrize("name", ["sub.weather.example", "xweather.example", "example"])
def test_addresses_of_other_names_are_not(name: str) -> None:
    line = Line(marks.ASK_ANSWER, answers={"application_1": ("weather.example",)})
    assert fate(line.send(build_udp("10.20.10.1", CLIENT, (53, 4), _answer(name, "198.18.0.61")))) == ["passed"]


@pytest.mark.parametrize("data", [b"", b"\0", bytes(12), b"\xff" * 40])
def test_what_is_no_answer_goes_out_as_it_is(data: bytes) -> None:
    line = Line(marks.ASK_ANSWER, answers={"application_1": ("weather.example",)})
    assert line.send(build_udp("10.20.10.1", CLIENT, (53, 4), data)) == [Verdict(1, True, marks.ASK_ANSWER)]


# ---------------------------------------------------------------- streams


@given(st.binary(min_size=1, max_size=120), st.randoms(use_true_random=False), st.integers(0, 2**32 - 1))
def test_a_stream_is_what_was_sent_in_whatever_order(data: bytes, random: Any, first: int) -> None:
    cuts = sorted({0, len(data), *(random.randrange(len(data) + 1) for _ in range(6))})
    pieces = [(begin, data[begin:end]) for begin, end in pairwise(cuts)]
    pieces += [
        (at, data[at : at + 9]) for at in (random.randrange(len(data)) for _ in range(4))
    ]  # sent again, overlapping
    random.shuffle(pieces)
    stream = Stream()
    stream.begin(first)
    assert all(stream.add((first + at) % 2**32, piece) for at, piece in pieces)
    assert bytes(stream.data) == data


@given(st.binary(min_size=2, max_size=60), st.data())
def test_a_stream_takes_no_second_story(data: bytes, draw: Any) -> None:
    at = draw.draw(st.integers(0, len(data) - 1))
    ahead = draw.draw(st.booleans())
    stream = Stream()
    stream.begin(0)
    assert stream.add(1 if ahead else 0, data)
    other = bytearray(data)
    other[at] ^= 0x40
    assert not stream.add(1 if ahead else 0, bytes(other))
    assert not ahead or stream.add(0, b"x")
    assert bytes(stream.data) == (b"x" if ahead else b"") + data


def test_a_stream_takes_nothing_too_far_ahead() -> None:
    stream = Stream()
    stream.begin(0)
    assert not stream.add(MOST_AHEAD_BYTES, b"x")
    assert stream.add(MOST_AHEAD_BYTES - 1, b"x")


# ---------------------------------------------------------------- packets and messages


@given(st.binary(max_size=80))
def test_any_bytes_are_a_packet_or_none(data: bytes) -> None:
    for head in (b"", b"\x45", b"\x45\0\0\x28\0\0\0\0\x40\x06"):
        parse_packet(head + data)


def test_what_cannot_be_read_is_dropped() -> None:
    line = Line(marks.ASK_THREAT, signatures=("test-file",))
    assert fate(line.send(b"\x45\0\0\x14")) == ["dropped"]
    fragment = bytearray(tcp(1, b"x"))
    fragment[6] = 0x20
    assert fate(line.send(bytes(fragment))) == ["dropped"]


def test_a_verdict_reads_as_linux_defines_it() -> None:  # linux/netlink.h, linux/netfilter/nfnetlink_queue.h
    message = nfqueue.build_verdict(7, 0x01020304, True, 0xA)
    length, kind, flags, _, _ = struct.unpack_from("=LHHLL", message)
    assert (length, kind, flags) == (len(message), 3 << 8 | 1, 1)
    assert message[16:20] == b"\0\0\0\x07"
    assert message[20:32] == struct.pack("=HH", 12, 2) + struct.pack("!LL", 1, 0x01020304)
    assert message[32:] == struct.pack("=HH", 8, 3) + b"\0\0\0\x0a"


def test_packets_are_read_out_of_messages() -> None:
    def attribute(kind: int, value: bytes) -> bytes:
        return struct.pack("=HH", 4 + len(value), kind) + value + bytes(-len(value) % 4)

    body = b"\x02\0\0\x07" + attribute(1, struct.pack("!LHB", 9, 0x0800, 2)) + attribute(3, b"\0\x01\0\0")
    body += attribute(10, b"packet")
    message = struct.pack("=LHHLL", 16 + len(body), 3 << 8, 0, 0, 0) + body
    error = struct.pack("=LHHLL", 36, 2, 0, 0, 0) + struct.pack("=l", -2) + bytes(16)
    assert list(nfqueue.parse_messages(message + error + message)) == [Queued(9, 0x10000, b"packet")] * 2
    with pytest.raises(nfqueue.QueueError):
        nfqueue.check_answer(error)
    nfqueue.check_answer(struct.pack("=LHHLL", 36, 2, 0, 0, 0) + bytes(20))


def test_marks_share_no_bit() -> None:
    bits = [marks.ASK_NAME, marks.ASK_THREAT, marks.ASK_ANSWER, marks.PASSED, marks.REFUSE, marks.DONE, marks.NAMED]
    assert sum(bits) == marks.ALL
    kept = marks.DONE_ORIGINAL | marks.DONE_REPLY | marks.CT_NAMED | marks.CT_ADDRESSED
    assert kept < 1 << marks.GENERATION_SHIFT
    assert marks.GENERATIONS << marks.GENERATION_SHIFT < 1 << 32


def test_addresses_are_those_of_the_system() -> None:
    packet = parse_packet(tcp(5, b"x"))
    assert packet is not None
    assert socket.inet_aton(packet.source) == socket.inet_aton(CLIENT)
    assert packet.ends == (CLIENT, 40000, SERVER, 443)
    assert packet.payload == b"x"
