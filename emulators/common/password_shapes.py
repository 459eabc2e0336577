"""Passwords of a given shape, made by chance. Layer: shared, pure but for the chance that it is given.

A trial names what a password is like, never the password: so none of those that a device takes stands on a tape.
"""

from __future__ import annotations

import random
import string
from collections.abc import Sequence

ALPHABETS = {
    "letter": "bdgjkqvwxzBDGJKQVWXZ",
    "digit": "26789",
    "space": " ",
    "unicode": "äöüßéèñçøåžłđþΩжд",
}
"""What each kind of character is drawn of. All of ``unicode`` are letters of two octets in UTF-8 (RFC 3629). Letters
and digits are those that hardly any word is made of: of eight drawn from all letters and digits, one in seventy is near
enough to a word of cracklib's dictionary to be refused (tried: 14 of 1000); of these, none of 3000."""


def make_password(length: int, kinds: Sequence[str], chance: random.Random) -> str:
    """Return `length` characters of the kinds given, each kind at least once, as varied as their number allows.

    Blanks stand inside and never side by side, where there are two other characters to stand between.
    """
    drawn = [kind for kind in kinds if kind != "space"] or ["letter"]
    blanks = range(2, length - 1, 4) if "space" in kinds else range(0)
    rest = length - len(blanks)
    alphabets = [string.digits] if drawn == ["digit"] else [ALPHABETS[kind] for kind in drawn]
    letters = [chance.choice(alphabet) for alphabet in alphabets][:rest]
    pool = "".join(alphabets)
    while len(letters) < rest:
        fresh = [character for character in pool if character not in letters[-8:]]
        letters.append(chance.choice(fresh or list(pool)))
    chance.shuffle(letters)
    for place in blanks:
        letters.insert(place, " ")
    return "".join(letters)
