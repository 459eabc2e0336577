"""Failed log-ins: which lines of sshd tell of one, and when a source has had too many. Layer: router firmware, pure.

Every attempt counts, several in one connection too. One that succeeds takes nothing back: whoever owns one account
could else go on guessing for ever. Not here: what is done with a source that had too many (source_blocks.py).
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass, field

from emulators.common.controls import Lockout

_FAILED = re.compile(
    r"Failed (?:password|publickey|keyboard-interactive/pam) for (?:invalid user )?(?P<user>.*)"
    r" from (?P<source>\d+\.\d+\.\d+\.\d+) port \d+ ssh2(?:: [A-Z0-9-]+ SHA256:[A-Za-z0-9+/]+)?"
)
"""auth_log() of OpenSSH's auth.c. The name is the caller's own words: the last ``from`` is the true one."""
MOST_SOURCES = 1000
"""Sources remembered at a time; a source beyond makes the one forgotten that failed first. Common practice."""


def find_failure(line: str) -> tuple[str, str] | None:
    """Return (source, user) where a line of sshd tells of a failed log-in, else None."""
    match = _FAILED.fullmatch(line.strip())
    return (match["source"], match["user"]) if match else None


@dataclass(slots=True)
class FailureCount:
    """Counts one configuration's failures. Instants are of any one monotonic clock, in seconds."""

    lockout: Lockout
    _failed: dict[str, deque[float]] = field(default_factory=dict)

    def add(self, source: str, at_s: float) -> bool:
        """Take one failure. Returns whether the source has had too many now; its count then begins anew."""
        times = self._failed.pop(source, deque())
        times.append(at_s)
        while times[0] < at_s - self.lockout.within_s:
            times.popleft()
        if len(times) >= self.lockout.failures:
            return True
        self._failed[source] = times
        while len(self._failed) > MOST_SOURCES:
            del self._failed[next(iter(self._failed))]
        return False

    def forget(self, source: str | None = None) -> None:
        """Begin a source's count anew; None: every source's."""
        if source is None:
            self._failed.clear()
        else:
            self._failed.pop(source, None)
