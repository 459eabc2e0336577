"""Where two runs part, as text of 80 columns. Layer: reports, pure."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from harness.core.model import Outcome
from harness.reports.escape import escape
from harness.reports.text import MARKS, WIDTH
from harness.timeline.compare import KeyDifference, MessageDifference, StageDifference

MOST_LINES = 4


def render_stage(difference: StageDifference | None) -> str:
    """Return the block on stages."""
    if difference is None:
        return "stages         all the same, times within noise"
    rows = [_field(letter, _tell_stage(s)) for letter, s in (("A", difference.one), ("B", difference.other))]
    return "\n".join([f"stages         part at {escape(difference.stage)}", *rows])


def _tell_stage(stage: Mapping[str, Any] | None) -> str:
    if stage is None:
        return "not run"
    outcome: Outcome = stage.get("outcome", "INCONCLUSIVE")
    took = stage.get("took_s")
    time = f" in {took:.2f} s" if isinstance(took, int | float) else ""
    return f"{MARKS.get(outcome, str(outcome))}{time}: {stage.get('summary')}"


def render_message(difference: MessageDifference | None) -> str:
    """Return the block on messages."""
    if difference is None:
        return "messages       the same, but for times, ids and ports"
    rows = [_field("=", text) for text in difference.before]
    for letter, texts, at_s in (
        ("A", difference.one, difference.one_at_s),
        ("B", difference.other, difference.other_at_s),
    ):
        if not texts:
            rows.append(
                _field(letter, "(nothing here" + (f"; the next at {at_s:+.3f} s)" if at_s is not None else ")"))
            )
        for place, text in enumerate(texts):
            rows.append(_field(letter, (f"{at_s:+.3f} s  " if place == 0 and at_s is not None else "") + text))
    return "\n".join([f"messages       part at {escape(difference.node)}", *rows])


def render_keys(differences: Sequence[KeyDifference]) -> str:
    """Return the block on configuration."""
    if not differences:
        return "configuration  the same"
    first = differences[0]
    more = f", the first of {len(differences)} keys" if len(differences) > 1 else ""
    rows = [_field("A", _tell(first.one)), _field("B", _tell(first.other))]
    head = textwrap.wrap(f"part at {escape(first.path)}{more}", WIDTH - 15) or [""]
    return "\n".join([f"configuration  {head[0]}", *(" " * 15 + line for line in head[1:]), *rows])


def _tell(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _field(mark: str, text: str) -> str:
    lines = textwrap.wrap(escape(text), WIDTH - 5, break_on_hyphens=False) or [""]
    if len(lines) > MOST_LINES:
        lines = [*lines[:MOST_LINES], "..."]
    return "\n".join(f"  {mark if i == 0 else ' '}  {line}" for i, line in enumerate(lines))
