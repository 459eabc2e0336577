"""A timeline as text: seconds from power-on, node, kind, what happened, where to look. Layer: reports, pure."""

from __future__ import annotations

from collections.abc import Iterable

from harness.reports.escape import escape
from harness.timeline.entries import Entry


def render_entries(entries: Iterable[Entry], zero_ns: int) -> list[str]:
    """Return one line an entry."""
    return [_line(entry, zero_ns) for entry in entries]


def _line(entry: Entry, zero_ns: int) -> str:
    offset_s = (entry.at_ns - zero_ns) / 1e9
    if entry.kind == "stage":
        return f"{offset_s:+10.3f} {'-' * 12} {escape(entry.text)}"
    where = f"  [{escape(entry.pointer)}]" if entry.pointer else ""
    return f"{offset_s:+10.3f} {escape(entry.node):<12} {entry.kind:<8} {escape(entry.text)}{where}"
