"""What HQ's log server saw of the branch's messages. Layer: checks, pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from emulators.common.log_events import EVENT_SEVERITIES, SEVERITIES, is_at_least
from harness.checks._shared import HQ
from harness.core.entries import Evidence, Seen, as_count
from harness.core.model import Observation, Plan
from harness.core.sample import saw
from harness.core.sections import Logging


def list_messages(plan: Plan, evidence: Evidence) -> tuple[Seen, ...]:
    """Return the messages under the branch's host name (or that name with a domain), as they arrived."""
    wanted = plan.branch.hostname.casefold()
    found = evidence.find_all(HQ, "log.received")
    return tuple(s for s in found if wanted in _names(str(s.data.get("hostname") or "")))


def _names(hostname: str) -> tuple[str, str]:
    name = hostname.casefold()
    return name, name.split(".")[0]


def list_current(messages: Sequence[Seen]) -> tuple[Seen, ...]:
    """Return the messages since the last configuration was applied: with it the sequence numbers begin anew."""
    start = 0
    for place in range(1, len(messages)):
        before, number = (as_count(messages[at].data.get("sequence")) for at in (place - 1, place))
        if number < before:
            start = place
    return tuple(messages[start:])


def find_event(messages: Iterable[Seen], msgid: str, since_ns: int, text: str = "") -> Seen | None:
    """Return the first message of an event that arrived at or after an instant and holds a text, or None."""
    for seen in messages:
        if seen.data.get("msgid") == msgid and seen.at_ns >= since_ns and text in str(seen.data.get("text")):
            return seen
    return None


def is_told(logging: Logging, msgid: str) -> bool:
    """Say whether an event is grave enough for the log server."""
    return is_at_least(EVENT_SEVERITIES[msgid], logging.least)


def rank(seen: Seen) -> int:
    """Return a message's severity as its number: 0 is the gravest; a word that is none counts as past the last."""
    word = seen.data.get("severity")
    return SEVERITIES.index(word) if word in SEVERITIES else len(SEVERITIES)


def find_breach(messages: Iterable[Seen]) -> tuple[str, Seen] | None:
    """Return what is wrong with the order of messages as they arrived, and with which, or None.

    Sequence numbers (RFC 5424 section 7.3.1) go up by one, and begin anew at 1 with a configuration; time does not go
    back.
    """
    before: Seen | None = None
    for seen in messages:
        number = as_count(seen.data.get("sequence"))
        if not number:
            return "a message without a sequence number", seen
        if before is not None:
            last = as_count(before.data.get("sequence"))
            if number > last + 1:
                return f"after number {last} came {number}: {number - last - 1} lost", seen
            if number <= last and number != 1:
                return f"after number {last} came {number} (again, or out of order)", seen
            if str(seen.data.get("timestamp")) < str(before.data.get("timestamp")):
                return f"{before.data.get('timestamp')} is followed by {seen.data.get('timestamp')}", seen
        before = seen
    return None


def message(
    at_s: float, sequence: int, severity: str, text: str = "up", msgid: str = "-", **changes: Any
) -> Observation:
    """Return one arrived message, for examples."""
    told = {"hostname": "kiosk-north", "app": "device", "transport": "udp", "posing": False}
    stamp = f"2027-01-15T08:{sequence // 60:02d}:{sequence % 60:02d}.000000+00:00"
    fields = {**told, "severity": severity, "msgid": msgid, "text": text, "sequence": sequence, "timestamp": stamp}
    return saw(HQ, "log.received", at_s, **{**fields, **changes})
