"""The operator's password: the first one, the one of now, and those before. Layer: router firmware, I/O (flash).

Only hashes are kept, on the flash, readable to root alone. The first password comes with the configuration and is good
for one thing: to be changed (PCI DSS 4.0.1, 8.3.5). A configuration with another first password begins anew, but
forgets none of those that were used. Not here: the rules (password_rules.py), the account (parts/administration.py).
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from emulators.common.controls import Passwords
from emulators.common.record import RecordError, from_json, to_json
from emulators.common.service import log
from emulators.common.supervise import write_private

from .password_library import find_common, make_hash, matches
from .password_rules import Fault, find_fault

MOST_KEPT = 24
"""Earlier passwords that are kept at most: as many as a profile may want refused."""


@dataclass(frozen=True, slots=True)
class Record:
    """Hashes. `used`: those that the operator chose, the newest first, the one of now among them."""

    user: str
    first: str
    current: str
    must_change: bool
    used: tuple[str, ...]


class PasswordStore:
    """One account's password. `on_change` gets the hash that is good from now on."""

    def __init__(self, path: Path, user: str, first: str, rules: Passwords, on_change: Callable[[str], None]) -> None:
        self._path, self._rules, self._on_change = path, rules, on_change
        self._lock = threading.Lock()
        self._record = self._open(user, first)
        on_change(self._record.current)

    @property
    def must_change(self) -> bool:
        """True while the first password has not been changed."""
        return self._record.must_change

    def change(self, old: str, new: str) -> Fault | None:
        """Change the password, or return why not."""
        with self._lock:
            record = self._record
            if not matches(old, record.current):
                return Fault("wrong_old", "the old password is another")
            fault = find_fault(self._rules, new, find_common)
            if fault is None and matches(new, record.first):
                fault = Fault("first", "the first password is for one log-in only")
            if fault is None and any(matches(new, used) for used in record.used[: self._rules.refuse_last]):
                fault = Fault("reused", f"it is one of the last {self._rules.refuse_last}")
            if fault is None:
                made = make_hash(new)
                used = (made, *record.used)[:MOST_KEPT]
                self._save(replace(record, current=made, must_change=False, used=used))
            return fault

    def reset(self) -> None:
        """Make the first password good again, to be changed again; none of those used is forgotten."""
        with self._lock:
            self._save(replace(self._record, current=self._record.first, must_change=True))

    def _open(self, user: str, first: str) -> Record:
        kept = self._load()
        if kept is not None and kept.user == user and matches(first, kept.first):
            return kept
        made = make_hash(first)
        record = Record(user, made, made, True, kept.used if kept is not None and kept.user == user else ())
        write_private(self._path, json.dumps(to_json(record)))
        return record

    def _load(self) -> Record | None:
        try:
            return from_json(Record, json.loads(self._path.read_text(encoding="utf-8")))
        except FileNotFoundError:
            return None
        except (OSError, ValueError, RecordError) as error:
            log(f"passwords: {self._path} cannot be read, the first password is good again: {error}")
            return None

    def _save(self, record: Record) -> None:
        write_private(self._path, json.dumps(to_json(record)))
        self._record = record
        self._on_change(record.current)
