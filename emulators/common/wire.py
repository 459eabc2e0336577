"""The lines between the harness and a stand-in: events out on stdout, commands in on stdin. Layer: shared, pure.

One JSON object a line, UTF-8, ended by LF. A stand-in's stdout carries events and nothing else; free text goes to
stderr and becomes the node's log. `at_ns` is CLOCK_MONOTONIC of the node's kernel; `wall_ns` is CLOCK_REALTIME as the
emitting process sees it (the device's own clock, where the device keeps one). `seq` counts within one `part` since that
part started, so order within a part is certain and a gap shows a lost line.

Not here: pipes, sockets, clocks (see service.py).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from emulators.common.record import from_json, to_json

_T = TypeVar("_T")

MAX_LINE_BYTES = 64 * 1024 * 1024  # a seed with two firmware images fits; a runaway writer does not


class WireError(ValueError):
    """A line is not an event or a command. The text says what was expected and shows the start of the line."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something a stand-in saw or did. `kind` is a past participle: ``pdn.granted``."""

    node: str
    part: str
    kind: str
    at_ns: int
    wall_ns: int
    seq: int
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Command:
    """A request to a stand-in. Answered by one event ``command.done`` whose data is
    ``{"id", "verb", "ok": bool, "result": any, "error": str | None}``."""

    id: int
    verb: str
    args: Mapping[str, Any] = field(default_factory=dict)


def render(message: Event | Command) -> bytes:
    """Return the line for an event or a command, LF included."""
    text = json.dumps(to_json(message), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.encode("utf-8") + b"\n"


def parse_event(line: bytes) -> Event:
    """Read one event line. Raises: WireError."""
    return _parse(Event, line)


def parse_command(line: bytes) -> Command:
    """Read one command line. Raises: WireError."""
    return _parse(Command, line)


def _parse(cls: type[_T], line: bytes) -> _T:
    try:
        return from_json(cls, json.loads(line.decode("utf-8")))
    except (UnicodeDecodeError, ValueError, RecursionError) as error:  # RecordError is a ValueError
        raise WireError(f"expected one JSON {cls.__name__}, saw {line[:120]!r}: {error}") from error
