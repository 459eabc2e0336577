"""One direction of a TCP connection, put together as its receiver will. Layer: router firmware, pure.

Law: what is kept here is what the receiver gets. A segment that says something else at a place that was seen before is
not taken (`add` returns False), nor is one too far ahead: whoever lets pass only what is taken cannot be told another
story than the receiver (RFC 9293 section 3.10 leaves open whose bytes count where segments overlap).
"""

from __future__ import annotations

HALF, WHOLE = 1 << 31, 1 << 32
MOST_AHEAD_BYTES, MOST_PIECES = 256 * 1024, 256


class Stream:
    """The bytes from the first that was seen on. `data` grows only at its end."""

    def __init__(self) -> None:
        self.data = bytearray()
        self._first: int | None = None
        self._ahead: dict[int, bytes] = {}

    def begin(self, sequence: int) -> None:
        """The first byte will have this sequence number; what was known is forgotten."""
        self.data.clear()
        self._ahead.clear()
        self._first = sequence

    def add(self, sequence: int, payload: bytes) -> bool:
        """Take in a segment; False where it contradicts what is known, or lies too far ahead."""
        if self._first is None:  # the beginning was not seen: from here on
            self._first = sequence
        at = (sequence - self._first + HALF) % WHOLE - HALF
        if at < 0:
            payload, at = payload[-at:], 0
        known = len(self.data)
        if not payload:
            return True
        if at > known:
            return self._keep(at, payload)
        overlap = min(len(payload), known - at)
        if self.data[at : at + overlap] != payload[:overlap]:
            return False
        fresh = payload[overlap:]
        if not self._agrees(known, fresh):
            return False
        self.data += fresh
        self._merge()
        return True

    def _keep(self, at: int, payload: bytes) -> bool:
        if at + len(payload) - len(self.data) > MOST_AHEAD_BYTES or len(self._ahead) >= MOST_PIECES:
            return False
        if not self._agrees(at, payload):
            return False
        if len(self._ahead.get(at, b"")) < len(payload):
            self._ahead[at] = bytes(payload)
        return True

    def _agrees(self, at: int, payload: bytes) -> bool:
        """Say whether bytes are the same as those that lie ahead, wherever both say something."""
        end = at + len(payload)
        for start, piece in self._ahead.items():
            low, high = max(at, start), min(end, start + len(piece))
            if low < high and payload[low - at : high - at] != piece[low - start : high - start]:
                return False
        return True

    def _merge(self) -> None:
        while ready := [start for start in self._ahead if start <= len(self.data)]:
            for start in ready:
                self.data += self._ahead.pop(start)[len(self.data) - start :]
