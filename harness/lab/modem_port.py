"""Talk over the second AT port of a lab's modem: one line in, what it says until its final result code. Layer: lab.

Final result codes: ITU-T V.250 clause 5.7.1 (OK, ERROR, NO CARRIER, ...), 3GPP TS 27.007 clause 9.2 (+CME ERROR) and
TS 27.005 clause 3.2.5 (+CMS ERROR). The device's own port is another one: what is asked here is answered here, and the
modem runs one command after the other, whoever asked. Not here: what a person sees of secrets (reports/at_lines.py).
"""

from __future__ import annotations

import select
import time
from collections.abc import Iterator

from harness.errors import LabError
from harness.lab.channel import STDERR, Demultiplexer, LineSplitter
from harness.lab.engine import Engine

BRIDGE = ("python3", "-m", "emulators.router.modem.second_port")
ANSWER_S = 180.0
"""TS 27.007 sets no limit for +COPS, +CGATT and +CGACT; three minutes are common practice, no source."""
FINAL = ("OK", "ERROR", "NO CARRIER", "BUSY", "NO ANSWER", "NO DIALTONE")
FINAL_STARTS = ("+CME ERROR", "+CMS ERROR", "CONNECT")


def is_final(line: str) -> bool:
    """Say whether a line ends the answer to a command."""
    return line in FINAL or line.startswith(FINAL_STARTS)


class ModemPort:
    """The open port. Use `close` when done."""

    def __init__(self, engine: Engine, router: str) -> None:
        """Raises: EngineError."""
        self._stream = engine.execute(router, BRIDGE, terminal=False).stream
        self._frames, self._lines = Demultiplexer(), LineSplitter(4096)
        self._complaints = b""
        self._ready: list[str] = []

    def ask(self, line: str, timeout_s: float = ANSWER_S) -> Iterator[str]:
        """Send a command line; yield what the modem says, the final result code last. Raises: LabError."""
        self._stream.send(line.encode("ascii", "replace") + b"\r")
        deadline_s = time.monotonic() + timeout_s
        while (said := self._read_line(deadline_s)) is not None:
            yield said
            if is_final(said):
                return
        raise self._error(f"a final result code within {timeout_s:g} s", "none")

    def poll(self) -> Iterator[str]:
        """Yield what was said meanwhile without being asked."""
        while (said := self._read_line(time.monotonic())) is not None:
            yield said

    def _read_line(self, deadline_s: float) -> str | None:
        while not self._ready:
            left_s = max(0.0, deadline_s - time.monotonic())
            if not select.select([self._stream.fileno()], [], [], left_s)[0]:
                return None
            chunk = self._stream.receive()
            if not chunk:
                raise self._error("the modem's second AT port", "it was closed")
            self._take(chunk)
        return self._ready.pop(0)

    def _take(self, chunk: bytes) -> None:
        for kind, content in self._frames.feed(chunk):
            if kind == STDERR:
                self._complaints += content
                continue
            lines = (line.strip().decode("ascii", "replace") for line in self._lines.feed(content))
            self._ready += [line for line in lines if line]

    def _error(self, expected: str, seen: str) -> LabError:
        complaint = self._complaints.decode("utf-8", "replace").strip()
        hint = "wait until the router has started; only one person at a time can be at the port"
        return LabError(expected=expected, seen=complaint or seen, where="node router", hint=hint)

    def close(self) -> None:
        """Leave the port."""
        self._stream.end()
        self._stream.close()
