"""What a new password must be. Layer: router firmware, pure.

Lengths count characters (Unicode code points: NIST SP 800-63B section 5.1.1.2), nothing is ever cut off, and blanks are
characters like any other. A refusal is one word of `Fault` and its reason for people.

Not here: earlier passwords (password_store.py), what is common (password_library.py).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from emulators.common.controls import Passwords

Word = Literal[
    "characters", "too_short", "too_long", "no_letter", "no_digit", "common", "first", "reused", "wrong_old"
]  # fmt: skip
LONGEST_BYTES = 511
"""crypt(3), CRYPT_MAX_PASSPHRASE_SIZE 512, its last for the end; PAM takes as much (PAM_MAX_RESP_SIZE)."""
ANYTHING = Passwords("none", 1, 256, (), 0, False)
"""The rules where the configuration has none."""


@dataclass(frozen=True, slots=True)
class Fault:
    word: Word
    reason: str


def find_fault(rules: Passwords, new: str, find_common: Callable[[str], str | None]) -> Fault | None:
    """Return the first rule that a new password breaks. `find_common` says why a word is common, or None."""
    if any(unicodedata.category(character) in ("Cc", "Cs") for character in new):
        return Fault("characters", "control characters cannot be typed at a log-in")
    if len(new) < rules.least:
        return Fault("too_short", f"expected at least {rules.least} characters, saw {len(new)}")
    if len(new) > rules.most or len(new.encode()) > LONGEST_BYTES:
        return Fault("too_long", f"expected at most {rules.most} characters, saw {len(new)}")
    if "letter" in rules.needs and not any(character.isalpha() for character in new):
        return Fault("no_letter", "expected a letter among the characters, saw none")
    if "digit" in rules.needs and not any(character.isdecimal() for character in new):
        return Fault("no_digit", "expected a digit among the characters, saw none")
    common = find_common(new) if rules.refuse_common else None
    return Fault("common", common) if common is not None else None
