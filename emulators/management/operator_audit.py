"""What operators did and were refused, for good: an append-only file of chained lines. Layer: stand-in, files.

One JSON object a line, with what PCI DSS 4.0.1 10.2.2 asks of a record: user, kind of event, date and time, outcome,
origin, and what it was done to. ``previous`` is the SHA-256 of the line before (64 zeros in the first): a line that was
changed or taken out shows (10.3.2: logs are protected from being modified). A token is never in it, nor a part of one.
"""

from __future__ import annotations

import hashlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

AUDIT_FILE = Path("/run/audit/operators.jsonl")
NOTHING_BEFORE = "0" * 64


class AuditLog:
    """Appends entries; there is no other way to write."""

    def __init__(self, path: Path = AUDIT_FILE) -> None:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        lines = path.read_bytes().splitlines() if path.exists() else []
        self._number = len(lines)
        self._previous = hashlib.sha256(lines[-1]).hexdigest() if lines else NOTHING_BEFORE
        self._fd = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o600)

    def append(self, now_s: float, **facts: Any) -> int:
        """Write one entry; return its number. `now_s`: seconds since 1970."""
        at = datetime.fromtimestamp(now_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        entry = {"number": self._number, "at": at, **facts, "previous": self._previous}
        line = json.dumps(entry, ensure_ascii=True, separators=(",", ":")).encode()
        os.write(self._fd, line + b"\n")
        self._previous = hashlib.sha256(line).hexdigest()
        self._number += 1
        return self._number - 1

    def close(self) -> None:
        os.close(self._fd)
