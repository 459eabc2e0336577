"""The device's set of signatures: byte patterns, and a scan of ports. Layer: router firmware, pure; time is given.

test-file     the anti-malware test file that eicar.org publishes: 68 bytes that every scanner knows and that do nothing
root-answer   what id(1) answers to root: published with many intrusion detection rule sets; common practice, no source
port-scan     one source asks for many ports of one destination within a short time

The test file is written here in two halves, so that a scanner of this very file finds nothing.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable

TEST_FILE = rb"X5O!P%@AP[4\PZX54(P^)7CC)7}" + rb"$EICAR-STANDARD-ANTIVIRUS-TEST-FILE!$H+H*"
ROOT_ANSWER = b"uid=0(root) gid=0(root)"
PATTERNS = {"test-file": TEST_FILE, "root-answer": ROOT_ANSWER}
PORT_SCAN = "port-scan"
SCAN_PORTS, SCAN_S = 30, 2.0
"""As many ports of one destination within so many seconds are a scan. Our choice, no source."""
MOST_PAIRS = 4096


class Patterns:
    """The byte patterns that are on."""

    def __init__(self, names: Iterable[str]) -> None:
        self._patterns = {name: PATTERNS[name] for name in names if name in PATTERNS}
        self.on = bool(self._patterns)

    def find(self, data: bytes | bytearray, start: int = 0) -> str | None:
        """Return a signature that ends behind `start`, or None."""
        for name, pattern in self._patterns.items():
            if data.find(pattern, max(0, start - len(pattern) + 1)) >= 0:
                return name
        return None


class Scans:
    """Who asked whom for which ports of late."""

    def __init__(self) -> None:
        self._asked: OrderedDict[tuple[str, str], dict[int, float]] = OrderedDict()
        self._told: dict[tuple[str, str], float] = {}

    def ask(self, source: str, destination: str, port: int, now_s: float) -> bool:
        """Take in the opening of a connection. Return whether it is part of a scan that was not told yet."""
        pair = (source, destination)
        ports = self._asked.setdefault(pair, {})
        self._asked.move_to_end(pair)
        if len(self._asked) > MOST_PAIRS:
            old, _ = self._asked.popitem(last=False)
            self._told.pop(old, None)
        if len(ports) >= SCAN_PORTS:
            for known in [known for known, at_s in ports.items() if now_s - at_s > SCAN_S]:
                del ports[known]
        ports[port] = now_s
        recent = sum(now_s - at_s <= SCAN_S for at_s in ports.values())
        if recent < SCAN_PORTS:
            return False
        while len(ports) > SCAN_PORTS:  # as many as prove it
            del ports[next(iter(ports))]
        news = now_s - self._told.get(pair, now_s - 2 * SCAN_S) > SCAN_S
        self._told[pair] = now_s
        return news
