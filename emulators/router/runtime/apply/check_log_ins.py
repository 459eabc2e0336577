"""Whether what a configuration says of log-ins makes sense: first password, lock-out, rules. Layer: firmware, pure."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

from emulators.common.controls import Lockout, Passwords
from emulators.common.device_config import Administration

from .password_rules import LONGEST_BYTES
from .password_store import MOST_KEPT

LONGEST_BLOCK_S = 10**8
"""Some three years: no sum of times comes near what nft's milliseconds can hold. Common practice."""


def check_log_ins(administration: Administration) -> Iterator[tuple[str, str]]:
    """Yield (key, reason) for each thing that cannot be applied. The password appears in no reason."""
    password = administration.password
    if password is not None and not _can_be_typed(password):
        yield "administration.password", "expected a line without control characters"
    if administration.lockout is not None:
        yield from _check_lockout(administration.lockout)
    if administration.passwords is not None:
        yield from _check_rules(administration.passwords)


def _can_be_typed(password: str) -> bool:
    plain = not any(unicodedata.category(character) in ("Cc", "Cs") for character in password)
    return plain and 0 < len(password.encode()) <= LONGEST_BYTES


def _check_lockout(lockout: Lockout) -> Iterator[tuple[str, str]]:
    if lockout.failures < 1:
        yield "administration.lockout.failures", f"expected at least 1, saw {lockout.failures}"
    for key, length_s in (("within_s", lockout.within_s), ("block_s", lockout.block_s)):
        if not 0 < length_s <= LONGEST_BLOCK_S:
            yield f"administration.lockout.{key}", f"expected seconds up to {LONGEST_BLOCK_S}, saw {length_s}"


def _check_rules(rules: Passwords) -> Iterator[tuple[str, str]]:
    if not 1 <= rules.least <= rules.most <= LONGEST_BYTES:
        reason = f"expected 1 to {LONGEST_BYTES} characters, the least before the most, saw {rules.least}, {rules.most}"
        yield "administration.passwords.least", reason
    if not 0 <= rules.refuse_last <= MOST_KEPT:
        yield "administration.passwords.refuse_last", f"expected up to {MOST_KEPT}, saw {rules.refuse_last}"
