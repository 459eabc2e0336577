"""Disturbances that several checks look at: the gateway out of service, a link cut. Layer: checks, pure.

Each is one ask of a bounded time that undoes itself, and whose beginning and end its node tells as events. The label is
the same whoever asks, so that it happens once a run.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.entries import Evidence, Seen
from harness.core.model import Ask

GATEWAY, CARRIER, INTERNET, ROUTER = "hq-gateway", "carrier", "internet", "router"
AWAY, AWAY_S = "disturbance.gateway", 2.5
"""The device tries again after 0, 1, 3 and 7 s (tunnel_keeper.py): back before its fourth try."""


@dataclass(frozen=True, slots=True)
class Away:
    """The gateway's absence. `down`: the tunnel's end as the gateway saw it; `up`: the first tunnel after it."""

    closed: Seen
    down: Seen | None
    opened: Seen | None
    up: Seen | None


def ask_away() -> Ask:
    """Return the ask that takes the gateway out of service for a while."""
    return Ask(GATEWAY, "close", {"for_s": AWAY_S}, AWAY)


def find_away(evidence: Evidence) -> Away | None:
    """Return the gateway's absence, or None while it has not begun."""
    closed = evidence.find_first(GATEWAY, "gateway.closed")
    if closed is None:
        return None
    opened = evidence.find_first(GATEWAY, "gateway.opened")
    down = find_after(evidence, GATEWAY, "child.removed", closed)
    up = find_after(evidence, GATEWAY, "child.installed", opened) if opened is not None else None
    return Away(closed, down, opened, up)


def find_after(evidence: Evidence, source: str, kind: str, since: Seen, /, **fields: object) -> Seen | None:
    """Return the first of a kind that happened at or after another, or None."""
    found = [s for s in evidence.find_all(source, kind, **fields) if s.at_ns >= since.at_ns]
    return min(found, key=lambda s: s.at_ns, default=None)
