"""What charon's events hold. Layer: shared by stand-ins, pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any


def plain(value: Any) -> Any:
    """Return a VICI message with every byte string as text."""
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value


def is_up(event: Mapping[str, Any]) -> bool:
    """True when an ``ike-updown`` or ``child-updown`` event says up."""
    return bool(event.get("up", "no") == "yes")


def sections(event: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the named sections of an updown event: connection name and its IKE SA."""
    for name, value in event.items():
        if isinstance(value, dict):
            yield name, value
