"""Where two JSON values differ, by key path. Layer: core, pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

ABSENT = "(not there)"
"""What the side has that lacks the key."""


def list_differences(one: Any, other: Any, path: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Yield (key path, one value, other value) for each leaf that differs, in the order of the first, then the second.

    A list is compared place by place; a list or mapping that only one side has is one leaf.
    """
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        for key in dict.fromkeys((*one, *other)):
            where = f"{path}.{key}" if path else str(key)
            yield from list_differences(one.get(key, ABSENT), other.get(key, ABSENT), where)
    elif isinstance(one, list | tuple) and isinstance(other, list | tuple):
        for place in range(max(len(one), len(other))):
            left, right = (values[place] if place < len(values) else ABSENT for values in (one, other))
            yield from list_differences(left, right, f"{path}[{place}]")
    elif one != other or isinstance(one, bool) != isinstance(other, bool):
        yield path, one, other
