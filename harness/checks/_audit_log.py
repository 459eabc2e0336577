"""The audit log of the operators' interface, read as evidence: its entries, its chain. Layer: checks, pure.

One JSON object a line, numbered from 0; ``previous`` is the SHA-256 of the line before, 64 zeros in the first. The
fields that each entry must hold are those of PCI DSS 4.0.1, 10.2.2: user, kind of event, date and time, outcome,
origin, and what it was done to.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from harness.core.entries import Answer, as_number

NOTHING_BEFORE = "0" * 64
CLOCKS_S = 2.0
"""How far an entry's time may be from the try's: both nodes run by one kernel's clock."""


@dataclass(frozen=True, slots=True)
class Told:
    """What an entry must say. `who` None: nobody who could be known. `between_s`: seconds since 1970."""

    who: str | None
    action: str
    outcome: str
    status: object
    between_s: tuple[float, float] | None


def decode(fetched: Answer) -> list[str]:
    """Return the log's lines of a ``fetch``; none where it is no base64."""
    try:
        return base64.b64decode(str(fetched.get("base64")), validate=True).decode("utf-8", "replace").splitlines()
    except ValueError:
        return []


def parse(line: str) -> dict[str, Any] | None:
    """Return an entry, or None where the line is none."""
    try:
        entry = json.loads(line)
    except ValueError:
        return None
    return entry if isinstance(entry, dict) else None


def find_break(lines: list[str]) -> str | None:
    """Return where the chain of an append-only log breaks, or None."""
    previous = NOTHING_BEFORE
    for number, line in enumerate(lines):
        entry = parse(line) or {}
        if entry.get("number") != number or entry.get("previous") != previous:
            return f"entry {number} does not follow the one before"
        previous = hashlib.sha256(line.encode()).hexdigest()
    return None if lines else "no entries"


def find_fault(told: Told, entry: Mapping[str, Any] | None) -> str | None:
    """Return what an entry says wrongly or not at all, or None."""
    if entry is None:
        return "no entry"
    at_s = _read_time(entry.get("at"))
    between = told.between_s
    fields = {
        "who": entry.get("who") == told.who,
        "what": entry.get("action") == told.action,
        "when": at_s is not None and between is not None and between[0] - CLOCKS_S <= at_s <= between[1] + CLOCKS_S,
        "from where": bool(entry.get("from")),
        "to what": bool(entry.get("object")),
        "outcome": entry.get("outcome") == told.outcome and entry.get("status") == told.status,
    }
    missing = [word for word, holds in fields.items() if not holds]
    return f"{', '.join(missing)} wrong" if missing else None


def span(at_s: object, within_s: float) -> tuple[float, float] | None:
    """Return from when to when a try that began at `at_s` may have been written down."""
    began_s = as_number(at_s)
    return None if began_s is None else (began_s, began_s + within_s)


def write(entries: Iterable[Mapping[str, Any]], *, broken: bool = False) -> dict[str, str]:
    """Return what a ``fetch`` of a log of these entries gives: for EXAMPLES. `broken`: its chain does not hold."""
    lines: list[str] = []
    for number, entry in enumerate(entries):
        before = hashlib.sha256(lines[-1].encode()).hexdigest() if lines else NOTHING_BEFORE
        sealed = {"number": number, **entry, "previous": "1" * 64 if broken and lines else before}
        lines.append(json.dumps(sealed))
    return {"base64": base64.b64encode("\n".join(lines).encode()).decode()}


def _read_time(text: object) -> float | None:
    try:
        return datetime.fromisoformat(str(text)).timestamp()
    except ValueError:
        return None
