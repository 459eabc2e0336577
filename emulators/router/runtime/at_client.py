"""The AT port: whole lines in, command lines out. Layer: firmware, I/O (pyserial).

Not here: what the lines mean (dialler.py).
"""

from __future__ import annotations

import time
from pathlib import Path

import serial

AT_PORT = Path("/run/modem/at")
BAUD = 115200  # a pseudo-terminal does not care; a UART would
MAX_LINE_BYTES = 4096


class AtClient:
    """Reads lines with a deadline. One thread uses it."""

    def __init__(self, path: Path = AT_PORT) -> None:
        self._port = serial.Serial(str(path), BAUD, timeout=0)
        self._buffer = b""

    def send(self, line: str) -> None:
        """Write one command line."""
        self._port.write(line.encode("ascii") + b"\r")

    def read_line(self, timeout_s: float) -> str | None:
        """Return the next line that is not empty; None when none is whole in time. Raises: serial.SerialException."""
        deadline = time.monotonic() + timeout_s
        while True:
            while (end := self._buffer.find(b"\n")) >= 0:
                line, self._buffer = self._buffer[:end].strip(), self._buffer[end + 1 :]
                if line:
                    return line.decode("ascii", "replace")
            self._buffer = self._buffer[-MAX_LINE_BYTES:]
            left_s = deadline - time.monotonic()
            if left_s <= 0:
                return None
            self._port.timeout = left_s
            first = self._port.read(1)
            self._buffer += first + (self._port.read(self._port.in_waiting) if first else b"")

    def close(self) -> None:
        self._port.close()
