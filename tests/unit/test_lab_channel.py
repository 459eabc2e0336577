"""The channel: the engine's stream cut into events, log lines and an end; and the clock offset's arithmetic."""

from __future__ import annotations

import contextlib
import queue
import socket
import struct
from collections.abc import Iterator

import pytest
from docker.utils.socket import frames_iter
from hypothesis import given
from hypothesis import strategies as st

from emulators.common.wire import Event, render
from harness.lab.channel import Channel, Demultiplexer, Ended, EventSeen, Item, LineSplitter, NodeLog
from harness.lab.fake_lab import FakeClock
from harness.lab.offsets import Sample, combine_samples


def frame(kind: int, content: bytes) -> bytes:
    """Docker Engine API, ContainerAttach, "Stream format"."""
    return struct.pack(">BxxxL", kind, len(content)) + content


def cut(content: bytes, sizes: list[int]) -> Iterator[bytes]:
    offset = 0
    for size in sizes:
        yield content[offset : offset + size]
        offset += size
    yield content[offset:]


FRAMES = st.lists(st.tuples(st.sampled_from([1, 2]), st.binary(min_size=1, max_size=40)), max_size=12)
CUTS = st.lists(st.integers(0, 30), max_size=20)


@given(FRAMES, CUTS)
def test_demultiplexer_gives_what_went_in_however_it_is_cut(frames: list[tuple[int, bytes]], sizes: list[int]) -> None:
    demultiplexer = Demultiplexer()
    stream = b"".join(frame(kind, content) for kind, content in frames)
    assert [part for chunk in cut(stream, sizes) for part in demultiplexer.feed(chunk)] == frames


@given(st.lists(st.tuples(st.sampled_from([1, 2]), st.binary(min_size=1, max_size=200)), min_size=1, max_size=8))
def test_demultiplexer_agrees_with_the_sdks_own_reader(frames: list[tuple[int, bytes]]) -> None:
    """Reference: docker.utils.socket.frames_iter of the Docker SDK for Python."""
    stream = b"".join(frame(kind, content) for kind, content in frames)
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.sendall(stream)
        ours.shutdown(socket.SHUT_WR)
        expected: dict[int, bytes] = {}
        for kind, content in frames_iter(theirs, tty=False):
            expected[kind] = expected.get(kind, b"") + content
    seen: dict[int, bytes] = {}
    for kind, content in Demultiplexer().feed(stream):
        seen[kind] = seen.get(kind, b"") + content
    assert seen == expected


@given(st.binary(min_size=8, max_size=64))
def test_any_bytes_are_frames_or_a_named_error(content: bytes) -> None:
    try:
        for kind, _ in Demultiplexer().feed(content):
            assert kind in (0, 1, 2)
    except ValueError as error:
        assert "header" in str(error)


@given(st.lists(st.binary(max_size=30).map(lambda b: b.replace(b"\n", b"")), max_size=10), CUTS)
def test_lines_come_out_whole(lines: list[bytes], sizes: list[int]) -> None:
    splitter = LineSplitter(1 << 20)
    stream = b"".join(line + b"\n" for line in lines) + b"rest"
    out = [line for chunk in cut(stream, sizes) for line in splitter.feed(chunk)]
    assert out == lines and list(splitter.finish()) == [b"rest"]


def test_a_line_without_end_comes_in_pieces_and_holds_no_memory() -> None:
    splitter = LineSplitter(100)
    pieces = [line for _ in range(10) for line in splitter.feed(b"x" * 60)]
    assert b"".join(pieces) == b"x" * 600 and max(map(len, pieces)) <= 160


def test_node_log_keeps_the_last_lines_and_says_what_it_dropped() -> None:
    log = NodeLog("n", max_lines=3)
    for number in range(5):
        log.add(number * 1_000_000_000, f"line {number}")
    assert log.tail(2) == "line 3\nline 4"
    assert log.render().decode().splitlines() == [
        "(2 earlier lines were dropped)", "2.000000 line 2", "3.000000 line 3", "4.000000 line 4",
    ]  # fmt: skip


class Wire:
    """A stream over a socket pair; the test holds the other end."""

    def __init__(self) -> None:
        self.ours, self.far = socket.socketpair()

    def receive(self) -> bytes:
        return self.ours.recv(65536)

    def send(self, content: bytes) -> None:
        self.ours.sendall(content)

    def end(self) -> None:
        with contextlib.suppress(OSError):
            self.ours.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.ours.close()


def event(seq: int, kind: str = "k", part: str = "core") -> bytes:
    return render(Event("n", part, kind, 5, 6, seq))


def run_channel(stream: bytes) -> tuple[list[Item], Channel, NodeLog]:
    wire, items, log = Wire(), queue.SimpleQueue[Item](), NodeLog("n")
    channel = Channel("n", wire, items, log, FakeClock(77))
    wire.far.sendall(stream)
    wire.far.shutdown(socket.SHUT_WR)
    found: list[Item] = []
    while not found or not isinstance(found[-1], Ended):
        found.append(items.get(timeout=5))
    channel.close()
    wire.far.close()
    return found, channel, log


def test_events_log_lines_and_end() -> None:
    first, second = event(0)[:9], event(0)[9:]
    stream = frame(1, first) + frame(2, b"free te") + frame(1, second) + frame(2, b"xt\nlast") + frame(1, event(1))
    found, channel, log = run_channel(stream)
    assert [item.event.seq for item in found if isinstance(item, EventSeen)] == [0, 1]
    assert isinstance(found[-1], Ended) and found[-1].error is None and channel.ended
    assert log.tail(9) == "free text\nlast"
    assert all(item.received_ns == 77 for item in found if isinstance(item, EventSeen))


def test_a_stray_line_is_logged_and_counted() -> None:
    found, channel, log = run_channel(frame(1, b"a daemon's word\n" + event(0)))
    assert len(found) == 2 and channel.stray_lines == 1
    assert "[stdout, not an event] a daemon's word" in log.tail(5)


def test_a_gap_in_seq_is_counted_and_a_part_that_starts_anew_is_not() -> None:
    stream = event(0) + event(1) + event(4) + event(0) + event(1) + event(0, part="other")
    _, channel, log = run_channel(frame(1, stream))
    assert channel.lost_events == 2
    assert "expected event 2, saw 4" in log.tail(5)


def test_a_broken_stream_is_an_end_with_its_reason() -> None:
    found, _, _ = run_channel(b"garbage that is no header")
    assert isinstance(found[-1], Ended) and "header" in (found[-1].error or "")


def test_what_is_sent_arrives_in_order() -> None:
    wire, items = Wire(), queue.SimpleQueue[Item]()
    channel = Channel("n", wire, items, NodeLog("n"), FakeClock())
    big = b"x" * 3_000_000
    channel.send(big)
    channel.send(b"end")
    wire.far.settimeout(10)
    received = b""
    while not received.endswith(b"end"):
        received += wire.far.recv(1 << 16)
    assert received == big + b"end"
    channel.close()
    channel.close()
    wire.far.close()


@given(
    st.integers(-(10**15), 10**15),
    st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 10**6), st.integers(0, 10**6)), min_size=1, max_size=20),
)
def test_offset_bound_holds(true_ns: int, exchanges: list[tuple[int, int, int]]) -> None:
    """Whatever the two ways of an exchange took, the true offset lies within the bound (RFC 5905 section 8)."""
    samples = [Sample("n", at, at + there + true_ns, at + there + back) for at, there, back in exchanges]
    offset = combine_samples(samples)
    assert abs(offset.offset_ns - true_ns) <= offset.bound_ns
    if true_ns == 0:
        assert offset.offset_ns == 0


def test_two_kernels_are_found_out() -> None:
    with pytest.raises(ValueError, match="b and a"):
        combine_samples([Sample("a", 100, 1100, 110), Sample("b", 200, 9200, 210)])
    with pytest.raises(ValueError, match="none"):
        combine_samples([])
