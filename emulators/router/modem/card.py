"""A SIM card: who it is, and whether it lets anyone in. Layer: modem hardware, pure.

ETSI TS 102 221 clause 9.5: a PIN blocks after three wrong tries in a row, its PUK after ten; the counters are kept by
the card itself, so they outlast power. A right PIN sets its counter back.

What a card remembers lies in a file of the bench, `cards.json`, by ICCID.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emulators.common.causes import CME_INCORRECT_PASSWORD, CME_NOT_ALLOWED

PIN_TRIES = 3
PUK_TRIES = 10
KEPT = ("pin", "pin_tries", "puk_tries", "wrong_pins", "wrong_puks")
CARDS_FILE = "cards.json"


@dataclass(slots=True)
class Card:
    """`verified` is lost with power; the counters are not. `wrong_pins` and `wrong_puks` are the bench's own, for ever:
    how often this device tried in vain. `broken`: the card answers nothing."""

    iccid: str
    imsi: str
    pin: str | None
    puk: str
    pin_tries: int = PIN_TRIES
    puk_tries: int = PUK_TRIES
    verified: bool = False
    wrong_pins: int = 0
    wrong_puks: int = 0
    broken: bool = False

    @property
    def state(self) -> str:
        """Return the <code> of +CPIN (TS 27.007 clause 8.3)."""
        if self.pin is not None and self.pin_tries == 0:
            return "SIM PUK"
        return "READY" if self.pin is None or self.verified else "SIM PIN"

    @property
    def is_dead(self) -> bool:
        """Whether it never opens again: it answers nothing, or the PUK is used up."""
        return self.broken or self.puk_tries == 0

    @property
    def is_open(self) -> bool:
        return not self.is_dead and self.state == "READY"

    def cut_power(self) -> None:
        self.verified = False

    def enter_pin(self, pin: str) -> int | None:
        """Try a PIN. Returns None when it opened the card, else the +CME ERROR number."""
        if self.state != "SIM PIN":
            return CME_NOT_ALLOWED  # TS 27.007 clause 8.3: an error when no PIN request is pending
        if pin != self.pin:
            self.pin_tries -= 1
            self.wrong_pins += 1
            return CME_INCORRECT_PASSWORD
        self.pin_tries, self.verified = PIN_TRIES, True
        return None

    def enter_puk(self, puk: str, new_pin: str) -> int | None:
        """Try a PUK and set a new PIN. Returns None or the +CME ERROR number."""
        if puk != self.puk or not (new_pin.isdigit() and 4 <= len(new_pin) <= 8):
            self.puk_tries -= puk != self.puk
            self.wrong_puks += puk != self.puk
            return CME_INCORRECT_PASSWORD
        self.pin, self.pin_tries, self.puk_tries, self.verified = new_pin, PIN_TRIES, PUK_TRIES, True
        return None

    def open_elsewhere(self) -> None:
        """Be opened in a telephone, with the right PIN or PUK, and have the PIN switched off there."""
        self.pin, self.pin_tries, self.verified = None, PIN_TRIES, False


def build_cards(sims: Iterable[dict[str, Any]], kept: dict[str, Any]) -> dict[int, Card]:
    """Return the cards by slot, with what each has kept, by ICCID."""
    cards = {}
    for sim in sims:
        card = Card(sim["iccid"], sim["imsi"], sim["pin"], sim["puk"])
        for name, value in kept.get(card.iccid, {}).items():
            setattr(card, name, value)
        cards[int(sim["slot"])] = card
    return cards


def load_kept(root: Path) -> dict[str, Any]:
    """Return what cards have kept: `cards` by ICCID, `slots` by number, `facts` that were last acted on."""
    try:
        kept: dict[str, Any] = json.loads((root / CARDS_FILE).read_bytes())
    except FileNotFoundError:
        return {"cards": {}, "slots": {}, "facts": {}}
    return kept


def save_kept(root: Path, cards: dict[int, Card], facts: dict[str, Any]) -> None:
    """Write what cards keep, whole: a reader sees the old or the new."""
    kept = {card.iccid: {name: getattr(card, name) for name in KEPT} for card in cards.values()}
    slots = {slot: card.iccid for slot, card in cards.items()}
    fresh = root / (CARDS_FILE + ".new")
    fresh.touch(0o600)
    fresh.write_text(json.dumps({"cards": kept, "slots": slots, "facts": facts}))
    fresh.replace(root / CARDS_FILE)


def list_cards(root: Path) -> list[dict[str, int]]:
    """Return the counters of each card, by slot; none while no modem ever had power."""
    kept = load_kept(root)
    return [
        {"slot": int(slot), **{name: kept["cards"][iccid][name] for name in KEPT if name != "pin"}}
        for slot, iccid in sorted(kept["slots"].items())
    ]
