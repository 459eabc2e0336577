"""The verbs that every stand-in answers. Layer: stand-in, I/O (clock, files).

``clock`` gives both clocks of the answering process, read as close together as can be; ``fetch`` hands out a file;
``census`` says what a link's capture holds.
"""

from __future__ import annotations

import base64
import time
from pathlib import Path
from typing import Any

from emulators.common.capture import find_capture
from emulators.common.census import census
from emulators.common.service import Handler

MAX_FETCH_BYTES = 45 * 1024 * 1024  # as base64 in one event line it stays below wire.MAX_LINE_BYTES


def read_clock() -> dict[str, int]:
    """Return CLOCK_MONOTONIC and CLOCK_REALTIME now."""
    return {"monotonic_ns": time.monotonic_ns(), "realtime_ns": time.time_ns()}


def fetch_file(path: str) -> dict[str, str]:
    """Return a file's bytes as base64. Raises: OSError; ValueError for a file too large for one line."""
    size = Path(path).stat().st_size
    if size > MAX_FETCH_BYTES:
        raise ValueError(f"{path}: expected at most {MAX_FETCH_BYTES} bytes, saw {size}; capture with a filter")
    return {"base64": base64.b64encode(Path(path).read_bytes()).decode("ascii")}


def take_census(link: str, inside: list[str], since_ns: int = 0) -> dict[str, Any]:
    """Return the census of a link's capture from `since_ns` (wall clock) on, and ``dropped``: packets that the capture
    lost (0: it holds all).

    Raises: OSError where the link is not captured, CensusError, CaptureError.
    """
    capture = find_capture(link)
    if capture is None:
        raise FileNotFoundError(f"link {link} is not captured here")
    dropped = capture.count_dropped()
    return {**census(capture.path.read_bytes(), inside, since_ns), "dropped": dropped}


def standard_verbs() -> dict[str, Handler]:
    """Return the handlers of ``clock``, ``fetch`` and ``census`` (which fails where the link is not captured)."""
    return {"clock": read_clock, "fetch": fetch_file, "census": take_census}
