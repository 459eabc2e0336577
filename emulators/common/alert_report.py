"""What a device tells management of the conditions that stand on it. Layer: shared by router and management, pure.

It is the text of a progress report `informational` (RFC 8572 leaves the message free): JSON, ``{"alerts": [...]}``, all
conditions that stand at that moment and no history, so that a report that comes twice or after a restart does no harm.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

KEY = "alerts"
MOST_ALERTS = 16
MOST_SUBJECT_CHARS = 64
"""So that a whole report is shorter than what a server keeps of a message (2000 characters)."""


@dataclass(frozen=True, slots=True, order=True)
class Standing:
    """One condition that stands, and what it stands for: ``10.200.0.11`` is locked out."""

    condition: str
    subject: str


def render_report(standing: Iterable[Standing]) -> str:
    """Return the message's text."""
    listed = sorted(standing)[:MOST_ALERTS]
    told = [{"condition": s.condition, "subject": s.subject[:MOST_SUBJECT_CHARS]} for s in listed]
    return json.dumps({KEY: told}, separators=(",", ":"))


def parse_report(message: str | None) -> frozenset[Standing] | None:
    """Return what a message says that stands; None for a message that says something else."""
    if not message or not message.startswith("{"):
        return None
    try:
        listed = json.loads(message)[KEY]
        found = [Standing(str(item["condition"]), str(item["subject"])[:MOST_SUBJECT_CHARS]) for item in listed]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return frozenset(found[:MOST_ALERTS])
