"""What is done to cards, antennas and modem from outside, while they are in use. Layer: modem hardware, pure.

The bench's facts (emulators/router/hardware/facts.py) that it follows, each there or not:

    card_missing  slot         the card is taken out; then put back
    card_broken   slot         the card answers nothing; then its contacts are clean again
    card_pin      slot         the card asks for another PIN than it did; then it is opened in a telephone, PIN off
    card_locked   slot         the PIN's tries are used up; then it is opened in a telephone, PIN off
    antenna_loss  {port, db}   what an antenna port loses; then it is screwed on again

Not here: the AT port that shows it all (commands.py).
"""

from __future__ import annotations

from typing import Any

from emulators.router.modem.card import Card
from emulators.router.modem.state import State

FOLLOWED = ("card_missing", "card_broken", "card_pin", "card_locked", "antenna_loss")
ANY_PIN = "7413"  # of a card that had none


class Tray:
    """The cards as they lie in their slots. `facts`: those that were last acted on."""

    def __init__(self, state: State, facts: dict[str, Any]) -> None:
        self._state, self.facts = state, facts
        self.cards: dict[int, Card] = dict(state.cards)
        """All cards, those that were taken out as well."""
        self._lay_out()

    def follow(self, facts: dict[str, Any], now_s: float) -> bool:
        """Do what the facts say. Returns whether that was anything new."""
        wanted = {name: facts[name] for name in FOLLOWED if name in facts}
        if wanted == self.facts:
            return False
        gone = {name: value for name, value in self.facts.items() if wanted.get(name) != value}
        come = {name: value for name, value in wanted.items() if self.facts.get(name) != value}
        self.facts = wanted
        for name in ("card_pin", "card_locked"):
            if name in gone:
                self.cards[gone[name]].open_elsewhere()
        if "card_pin" in come:
            card = self.cards[come["card_pin"]]
            card.pin, card.verified = find_other_pin(card.pin), False
        if "card_locked" in come:
            card = self.cards[come["card_locked"]]
            card.pin, card.pin_tries, card.verified = card.pin or ANY_PIN, 0, False
        self._lay_out()
        self._settle(now_s)
        return True

    def _lay_out(self) -> None:
        """Make cards and antennas what the facts say that stand."""
        missing, broken = self.facts.get("card_missing"), self.facts.get("card_broken")
        for slot, card in self.cards.items():
            card.broken = slot == broken
            if slot == missing:
                card.cut_power()
                self._state.cards.pop(slot, None)
            else:
                self._state.cards[slot] = card
        loss = self.facts.get("antenna_loss")
        self._state.losses_db = [
            float(loss["db"]) if loss and loss["port"] == port else 0.0
            for port in range(1, len(self._state.losses_db) + 1)
        ]

    def _settle(self, now_s: float) -> None:
        """Let the radio go with its card, and come with it."""
        state = self._state
        card = state.cards.get(state.slot)
        if state.nas.imsi is not None and (card is None or not card.is_open):
            state.effects += state.nas.stop()
        state.start_radio(now_s)


def find_other_pin(pin: str | None) -> str:
    """Return a PIN that is another: of the same length, and no digit the same."""
    return ANY_PIN if pin is None else "".join(str((int(digit) + 1) % 10) for digit in pin)
