"""One node's line to the harness: its attached stream cut into events, log lines and an end. Layer: lab, threads.

Laws: reader threads only fill one queue, and never raise; whatever goes wrong is an item too. `Demultiplexer` and
`LineSplitter` are pure. A line on stdout that is no event goes to the node's log with a mark and is counted, since a
daemon's stray word must not look like a broken bench, nor pass unseen. Not here: what items mean (containers.py).
"""

from __future__ import annotations

import queue
import threading
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from emulators.common.wire import MAX_LINE_BYTES, Event, WireError, parse_event
from harness.lab.ports import Clock

STDOUT, STDERR = 1, 2
HEADER_BYTES = 8
"""Docker Engine API, ContainerAttach, "Stream format": {stream type, 0, 0, 0, size as big-endian uint32}."""
MAX_LOG_LINES = 20_000
MAX_LOG_LINE_BYTES = 1 << 16
JOIN_S = 5.0


class Duplex(Protocol):
    """What a channel needs of an attached stream (stream.Stream)."""

    def receive(self) -> bytes: ...
    def send(self, content: bytes) -> None: ...
    def end(self) -> None: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class EventSeen:
    node: str
    event: Event
    received_ns: int


@dataclass(frozen=True, slots=True)
class Ended:
    """A node's stream is over. `error` is None at a plain end. `channel` says which of a node's channels it was."""

    node: str
    channel: Channel
    error: str | None


Item = EventSeen | Ended


class Demultiplexer:
    """Cuts the engine's multiplexed stream into (stream type, content). Pure."""

    def __init__(self) -> None:
        self._held = bytearray()

    def feed(self, content: bytes) -> Iterator[tuple[int, bytes]]:
        """Take bytes; yield what is whole, parts of a frame kept for later. Raises: ValueError at a broken header."""
        self._held += content
        offset = 0
        while len(self._held) - offset >= HEADER_BYTES:
            kind = self._held[offset]
            if kind not in (0, STDOUT, STDERR) or any(self._held[offset + 1 : offset + 4]):
                raise ValueError(f"expected a stream header, saw {bytes(self._held[offset : offset + 8]).hex()}")
            size = int.from_bytes(self._held[offset + 4 : offset + HEADER_BYTES], "big")
            end = offset + HEADER_BYTES + size
            if len(self._held) < end:
                break
            yield kind, bytes(self._held[offset + HEADER_BYTES : end])
            offset = end
        del self._held[:offset]


class LineSplitter:
    """Cuts bytes into lines, LF stripped. A line longer than the limit comes out in pieces. Pure."""

    def __init__(self, limit_bytes: int) -> None:
        self._limit = limit_bytes
        self._parts: list[bytes] = []
        self._held = 0

    def feed(self, content: bytes) -> Iterator[bytes]:
        """Take bytes; yield the lines that are whole now."""
        *lines, rest = content.split(b"\n")
        for line in lines:
            self._parts.append(line)
            yield self._take()
        if rest:
            self._parts.append(rest)
            self._held += len(rest)
        if self._held > self._limit:
            yield self._take()

    def finish(self) -> Iterator[bytes]:
        """Yield what is left without an LF."""
        if self._parts:
            yield self._take()

    def _take(self) -> bytes:
        line = b"".join(self._parts)
        self._parts, self._held = [], 0
        return line


class NodeLog:
    """The last lines of a node's free text, each with the harness's monotonic stamp. Thread-safe (deque)."""

    def __init__(self, node: str, max_lines: int = MAX_LOG_LINES) -> None:
        self.node = node
        self._lines: deque[tuple[int, str]] = deque(maxlen=max_lines)
        self._dropped = 0

    def add(self, at_ns: int, text: str) -> None:
        """Keep a line; the oldest goes when there are too many."""
        self._dropped += len(self._lines) == self._lines.maxlen
        self._lines.append((at_ns, text))

    def tail(self, count: int) -> str:
        """Return the last lines as text."""
        return "\n".join(text for _, text in list(self._lines)[-count:])

    def render(self) -> bytes:
        """Return the log: seconds of the harness's monotonic clock, then the line."""
        lines = list(self._lines)
        head = [f"({self._dropped} earlier lines were dropped)"] if self._dropped else []
        return "\n".join([*head, *(f"{ns / 1e9:.6f} {text}" for ns, text in lines), ""]).encode()


class Channel:
    """Reads one attached stream into a queue, and writes lines to it, with a thread for each direction."""

    def __init__(
        self,
        node: str,
        stream: Duplex,
        sink: queue.SimpleQueue[Item],
        log: NodeLog,
        clock: Clock,
        *,
        joins: bool = False,
    ) -> None:
        """`joins`: the node spoke before anybody listened here, so each part's first number may be any."""
        self.node = node
        self._joins = joins
        self.stray_lines = 0
        self.lost_events = 0
        self.ended = False
        self._stream, self._sink, self._log, self._clock = stream, sink, log, clock
        self._outgoing: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._next_seq: Counter[str] = Counter()
        self._threads = [
            threading.Thread(target=self._read, name=f"{node} reader", daemon=True),
            threading.Thread(target=self._write, name=f"{node} writer", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def send(self, line: bytes) -> None:
        """Have a line sent; does not wait for the node to take it."""
        self._outgoing.put(line)

    def close(self) -> None:
        """End both threads and close the stream. Safe to call twice."""
        self._outgoing.put(None)
        self._stream.end()
        for thread in self._threads:
            thread.join(JOIN_S)
        self._stream.close()

    def _write(self) -> None:
        try:
            while (line := self._outgoing.get()) is not None:
                self._stream.send(line)
        except OSError as error:
            # The reader sees the end too, and that is what counts: one end is one item.
            self._log.add(self._clock.now_ns(), f"[lab] stdin: {error}")

    def _read(self) -> None:
        error: str | None = None
        out, err = LineSplitter(MAX_LINE_BYTES), LineSplitter(MAX_LOG_LINE_BYTES)
        try:
            frames = Demultiplexer()
            while chunk := self._stream.receive():
                received_ns = self._clock.now_ns()
                for kind, content in frames.feed(chunk):
                    self._take(kind, content, out, err, received_ns)
        except (OSError, ValueError) as problem:
            error = f"{type(problem).__name__}: {problem}"
        received_ns = self._clock.now_ns()
        for line in out.finish():
            self._take_stdout(line, received_ns)
        for line in err.finish():
            self._log.add(received_ns, line.decode("utf-8", "replace"))
        self.ended = True
        self._sink.put(Ended(self.node, self, error))

    def _take(self, kind: int, content: bytes, out: LineSplitter, err: LineSplitter, received_ns: int) -> None:
        if kind == STDERR:
            for line in err.feed(content):
                self._log.add(received_ns, line.decode("utf-8", "replace"))
        else:
            for line in out.feed(content):
                self._take_stdout(line, received_ns)

    def _take_stdout(self, line: bytes, received_ns: int) -> None:
        try:
            event = parse_event(line)
        except WireError:
            if line.strip():
                self.stray_lines += 1
                text = line[:MAX_LOG_LINE_BYTES].decode("utf-8", "replace")
                self._log.add(received_ns, f"[stdout, not an event] {text}")
            return
        # A part that starts anew counts from 0 again; any other jump means that lines were lost.
        expected = self._next_seq.get(event.part, event.seq if self._joins else 0)
        if event.seq not in (0, expected):
            self.lost_events += max(1, event.seq - expected)
            self._log.add(received_ns, f"[lab] {event.part}: expected event {expected}, saw {event.seq}")
        self._next_seq[event.part] = event.seq + 1
        self._sink.put(EventSeen(self.node, event, received_ns))
