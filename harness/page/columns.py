"""What the page's script shows, packed small: columns as JSON, gzip, base64. Layer: page, pure.

Base64 has no ``<``, so no text of a run can end the element that holds it. Every text is made visible (reports/escape)
before it is packed; the script only ever sets it as text. Instants are microseconds, each less the one before.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from harness.reports.escape import escape
from harness.story.model import Event, Story


def pack(value: Any) -> str:
    """Return a JSON value as base64 of gzip; the same value gives the same text."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return base64.b64encode(gzip.compress(text.encode("utf-8", "backslashreplace"), 6, mtime=0)).decode()


def list_columns(story: Story) -> dict[str, Any]:
    """Return what the script draws: stages, lanes, events by column, spans and series."""
    return {
        "from_s": min((e.at_s for e in story.events), default=0.0),
        "until_s": story.ended_s,
        "stages": [[escape(s.name), s.started_s, s.took_s, s.budget_s, s.outcome] for s in story.stages],
        "lanes": [[lane.name, escape(lane.title)] for lane in story.lanes],
        "events": _list_events(story.events),
        "parts": {
            escape(p.name): [[s.since_s, s.until_s, s.state, escape(s.why)] for s in p.spans] for p in story.parts
        },
        "series": [
            {"title": escape(s.title), "unit": escape(s.unit), "limit": s.limit, "points": s.points}
            for s in story.series
        ],
    }


def _list_events(events: Sequence[Event]) -> dict[str, Any]:
    """Columns of the same length; words that come again and again are numbers into a list of words."""
    moments = [round(e.at_s * 1e6) for e in events]
    return {
        "at": [now - before for before, now in zip([0, *moments], moments, strict=False)],
        "text": [escape(e.text) for e in events],
        "pointer": [escape(e.pointer) for e in events],
        "number": [-1 if e.number is None else e.number for e in events],
        **{
            name: _index(escape(getattr(e, name)) for e in events)
            for name in ("lane", "node", "kind", "stage", "decides")
        },
    }


def _index(column: Iterable[str]) -> dict[str, list[Any]]:
    words: dict[str, int] = {}
    places = [words.setdefault(word, len(words)) for word in column]
    return {"words": list(words), "places": places}


def list_observations(story: Story) -> list[str]:
    """Return each observation by its number as it is to be read: JSON on several lines, made visible."""
    return [_spell(one) for one in story.observations]


def _spell(observation: Mapping[str, Any]) -> str:
    text = json.dumps(observation, ensure_ascii=False, indent=2, default=str)
    return "\n".join(map(escape, text.split("\n")))
