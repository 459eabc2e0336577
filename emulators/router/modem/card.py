"""A SIM card: who it is, and whether it lets anyone in. Layer: modem hardware, pure.

ETSI TS 102 221 clause 9.5: a PIN blocks after three wrong tries in a row, its PUK after ten; the counters are kept by
the card itself, so they outlast power. A right PIN sets its counter back.
"""

from __future__ import annotations

from dataclasses import dataclass

from emulators.common.causes import CME_INCORRECT_PASSWORD, CME_NOT_ALLOWED

PIN_TRIES = 3
PUK_TRIES = 10


@dataclass(slots=True)
class Card:
    """`verified` is lost with power; the two counters are not."""

    iccid: str
    imsi: str
    pin: str | None
    puk: str
    pin_tries: int = PIN_TRIES
    puk_tries: int = PUK_TRIES
    verified: bool = False

    @property
    def state(self) -> str:
        """Return the <code> of +CPIN (TS 27.007 clause 8.3)."""
        if self.pin is not None and self.pin_tries == 0:
            return "SIM PUK"
        return "READY" if self.pin is None or self.verified else "SIM PIN"

    @property
    def is_dead(self) -> bool:
        """Whether the PUK is used up: nothing opens the card again."""
        return self.puk_tries == 0

    def cut_power(self) -> None:
        self.verified = False

    def enter_pin(self, pin: str) -> int | None:
        """Try a PIN. Returns None when it opened the card, else the +CME ERROR number."""
        if self.state != "SIM PIN":
            return CME_NOT_ALLOWED  # TS 27.007 clause 8.3: an error when no PIN request is pending
        if pin != self.pin:
            self.pin_tries -= 1
            return CME_INCORRECT_PASSWORD
        self.pin_tries, self.verified = PIN_TRIES, True
        return None

    def enter_puk(self, puk: str, new_pin: str) -> int | None:
        """Try a PUK and set a new PIN. Returns None or the +CME ERROR number."""
        if puk != self.puk or not (new_pin.isdigit() and 4 <= len(new_pin) <= 8):
            self.puk_tries -= puk != self.puk
            return CME_INCORRECT_PASSWORD
        self.pin, self.pin_tries, self.puk_tries, self.verified = new_pin, PIN_TRIES, PUK_TRIES, True
        return None
