"""Range requests (RFC 9110 §13 and §14): which part of an image to send. Layer: stand-in, pure.

One byte range is served; several at once are answered with the whole image, as §14.2 allows. Our own because aiohttp's
file responses read If-Range as a date only, and would go on with a file that is not the one that was begun.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_RANGE = re.compile(r"bytes=\s*(?:(\d+)-(\d*)|-(\d+))\s*", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True, slots=True)
class Part:
    """Send bytes start..stop-1 with `status`; 416 and 304 send nothing."""

    status: int
    start: int
    stop: int


def choose_part(size: int, etag: str, range_: str | None, if_range: str | None, if_none_match: str | None) -> Part:
    """Say which part of a resource of `size` bytes and strong `etag` answers a GET."""
    if if_none_match is not None and (if_none_match.strip() == "*" or etag in _split_etags(if_none_match)):
        return Part(304, 0, 0)
    whole = Part(200, 0, size)
    if range_ is None or (if_range is not None and if_range.strip() != etag):
        return whole  # §13.1.5: another version was begun, or a date, which we do not give out
    matched = _RANGE.fullmatch(range_.strip())
    if matched is None:
        return whole  # §14.2: a range that is not understood is ignored
    first, last, suffix = matched.groups()
    if suffix is not None:
        start, stop = max(0, size - int(suffix)), size
        return Part(206, start, stop) if int(suffix) and size else Part(416, 0, 0)
    start = int(first)
    stop = min(size, int(last) + 1) if last else size
    if last and int(last) < start:
        return whole  # §14.1.1: an invalid int-range is ignored
    return Part(206, start, stop) if start < size else Part(416, 0, 0)


def _split_etags(header: str) -> list[str]:
    return [tag.strip().removeprefix("W/") for tag in header.split(",")]  # §13.1.2: weak comparison


def render_content_range(part: Part, size: int) -> str:
    """Return the Content-Range of a 206 or 416 (§14.4)."""
    return f"bytes */{size}" if part.status == 416 else f"bytes {part.start}-{part.stop - 1}/{size}"
