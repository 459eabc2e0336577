"""What the AT commands work on, and how they answer. Layer: modem hardware, pure.

Not here: the commands (commands.py, context_commands.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from emulators.common import causes
from emulators.router.modem.antennas import PORTS
from emulators.router.modem.at_text import Command
from emulators.router.modem.card import Card
from emulators.router.modem.nas import Effect, Nas

PENDING = None


class Cme(Exception):
    """An error answer: the +CME ERROR number."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(causes.CME_TEXTS.get(number, str(number)))


@dataclass(frozen=True, slots=True)
class Context:
    """A PDP context as +CGDCONT and +CGAUTH define it."""

    pdn_type: str = "IP"
    apn: str = ""
    auth: str = "none"
    user: str = ""
    password: str = field(default="", repr=False)


@dataclass(slots=True)
class State:
    """What the commands work on. `cards`: slot number from 1; a slot without a key is empty."""

    nas: Nas
    cards: dict[int, Card]
    slots: int
    imei: str
    slot: int = 1
    cfun: int = 1
    cmee: int = 0
    reports: dict[str, int] = field(default_factory=lambda: {"+CREG": 0, "+CGREG": 0, "+CEREG": 0, "+CGEREP": 0})
    operator_format: int = 0
    losses_db: list[float] = field(default_factory=lambda: [0.0] * PORTS)
    """What each antenna port has lost, dB."""
    contexts: dict[int, Context] = field(default_factory=dict)
    effects: list[Effect] = field(default_factory=list)

    def card(self) -> Card:
        """Return the card in use. Raises: Cme."""
        if self.cfun == 0:
            raise Cme(causes.CME_NOT_ALLOWED)
        card = self.cards.get(self.slot)
        if card is None:
            raise Cme(causes.CME_SIM_NOT_INSERTED)
        if card.is_dead:
            raise Cme(causes.CME_SIM_FAILURE)
        return card

    def open_card(self) -> Card:
        """Return the card in use if it lets us in. Raises: Cme."""
        card = self.card()
        if card.state != "READY":
            raise Cme(causes.CME_SIM_PIN_REQUIRED if card.state == "SIM PIN" else causes.CME_SIM_PUK_REQUIRED)
        return card

    def start_radio(self, now_s: float) -> None:
        """Attach if there is an open card and nothing forbids it (+COPS mode 0: automatic)."""
        card = self.cards.get(self.slot)
        if self.cfun == 1 and card and card.is_open and self.nas.imsi is None:
            self.effects += self.nas.start(card.imsi, now_s)


Answer = tuple[str, ...] | None
Handler = Callable[[State, Command, float], Answer]


def number(text: str, low: int, high: int) -> int:
    if not text.isdigit() or not low <= int(text) <= high:
        raise Cme(causes.CME_INCORRECT_PARAMETERS)
    return int(text)


def arg(command: Command, index: int) -> str:
    return command.args[index] if index < len(command.args) else ""
