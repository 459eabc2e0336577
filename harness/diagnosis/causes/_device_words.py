"""What the device says of its bootstrap, as signs. Layer: diagnosis, pure."""

from __future__ import annotations

from typing import Any

from harness.diagnosis.rows import Sign, saw
from harness.diagnosis.signs import matching


def told(text: str, pattern: str, *, weight: float = 1.0, later: bool | None = False, **fields: Any) -> Sign:
    """The device says something of its bootstrap in words that a pattern describes."""
    accepts = matching(detail=pattern)
    return saw(text, "router", "bootstrap.progressed", accepts=accepts, weight=weight, later=later, **fields)
