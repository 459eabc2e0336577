"""A port that the carrier's network does not let pass: see emulators.common.filters. Layer: stand-in, I/O (nft)."""

from __future__ import annotations

from typing import Any

from emulators.common.filters import build_filters
from emulators.common.impair import Impair


def offer(_: Any) -> dict[str, Impair]:
    return build_filters()
