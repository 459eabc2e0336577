"""The passwords that a trial offers, on both sides of each rule. Layer: checks, pure.

An offer is a shape that the probe fills by chance (emulators.common.password_shapes), or refers to one that was taken
before. NIST SP 800-63B section 5.1.1.2 counts code points, wants blanks and other scripts taken, and no composition
asked for; PCI DSS 4.0.1 8.3.6 asks for letters and digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from emulators.common.controls import Passwords

USUAL = ("letter", "digit")
USUAL_LENGTH = 16
"""Of offers whose length is not what they are about; within what the rules take."""
COMMON = "qwerty"
"""A word of every list of common passwords; followed by digits it is long enough for any rule, and no better."""


@dataclass(frozen=True, slots=True)
class Offer:
    """`args`: the offer as the probe takes it."""

    args: dict[str, Any]
    claim: str
    is_taken: bool

    @property
    def name(self) -> str:
        return str(self.args["name"])


def list_refused(rules: Passwords) -> tuple[Offer, ...]:
    """Return what is offered while the first password stands, and must be refused."""
    length = _find_length(rules)
    offers = [_refuse("first", "the first password itself", first=True)]
    if rules.least > 1:
        text = f"a password of {rules.least - 1} characters"
        offers.append(_refuse("short", text, length=rules.least - 1, kinds=USUAL))
        if not rules.needs:
            text += ", of two octets each,"
            offers.append(_refuse("short_unicode", text, length=rules.least - 1, kinds=("unicode",)))
    if "letter" in rules.needs:
        offers.append(_refuse("no_letter", "a password without a letter", length=length, kinds=("digit",)))
    if "digit" in rules.needs:
        offers.append(_refuse("no_digit", "a password without a digit", length=length, kinds=("letter",)))
    if rules.refuse_common:
        word = (COMMON + "1234567890" * rules.most)[: max(rules.least, len(COMMON) + 2)]
        offers.append(_refuse("common", "a common word with digits behind", text=word))
    return tuple(offers)


def list_taken(rules: Passwords) -> tuple[Offer, ...]:
    """Return what is offered then, one after the other, and must be taken: more of them than the history holds."""
    length = _find_length(rules)
    offers = [_take("least", f"a password of {rules.least} characters", length=rules.least, kinds=USUAL)]
    if not rules.needs:
        offers.append(_take("letters", "a password of letters alone", length=length, kinds=("letter",)))
        offers.append(_take("blanks", "a password with blanks", length=length, kinds=(*USUAL, "space")))
        text = f"a password of {rules.least} characters of other scripts"
        offers.append(_take("unicode", text, length=rules.least, kinds=("unicode",)))
    while len(offers) < rules.refuse_last:
        offers.append(_take(f"plain_{len(offers)}", "a password within the rules", length=length, kinds=USUAL))
    return (*offers, _take("most", f"a password of {rules.most} characters", length=rules.most, kinds=USUAL))


def list_reused(rules: Passwords) -> tuple[Offer, ...]:
    """Return which of those taken are offered again at the end."""
    last = rules.refuse_last
    if not last:
        return ()
    offers = [_refuse(f"last_{last}", f"the password that is {last} back, this one counted,", again=last)]
    if last > 1:
        offers.append(_refuse("last_1", "the password of now", again=1))
    return (*offers, _take("older", f"the password that is {last + 1} back", again=last + 1))


def list_defaults(user: str) -> list[list[str]]:
    """Return account and password of what everybody tries first. Common practice, no source."""
    return [["admin", "admin"], ["root", "root"], ["root", ""], [user, user], [user, "password"]]


def _find_length(rules: Passwords) -> int:
    return min(rules.most, max(rules.least, USUAL_LENGTH))


def _refuse(name: str, what: str, **args: Any) -> Offer:
    return Offer({"name": name, **args}, f"{what} is refused", False)


def _take(name: str, what: str, **args: Any) -> Offer:
    return Offer({"name": name, **args}, f"{what} is taken", True)
