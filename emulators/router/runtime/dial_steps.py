"""What the dialler does next and tells: its effects, and the steps of its script. Layer: firmware, pure, data.

Not here: the order of things (dialler.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from .dial_text import Grant

ANSWER_S = 5.0  # common practice for commands that stay inside the modem


@dataclass(frozen=True, slots=True)
class SendLine:
    text: str


@dataclass(frozen=True, slots=True)
class Report:
    kind: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Up:
    grant: Grant


@dataclass(frozen=True, slots=True)
class Down:
    reason: str


@dataclass(frozen=True, slots=True)
class ResetModem:
    """Pull the modem's reset line. This dialler is done then: the modem that comes back gets a new one."""

    reason: str


Effect = SendLine | Report | Up | Down | ResetModem


@dataclass(frozen=True, slots=True)
class End:
    """Why a card is in use no more. `is_local`: the card itself does not let us, and no network was asked."""

    is_local: bool = False
    had_address: bool = False


@dataclass(frozen=True, slots=True)
class Ask:
    command: str
    timeout_s: float = ANSWER_S


@dataclass(frozen=True, slots=True)
class Pause:
    """Wait `length_s`, or less when registration or the link changes, if `wakes`."""

    length_s: float
    wakes: bool = False
