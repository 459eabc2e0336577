"""What is tried at the management server's interface for operators, with what tokens; how its rules may be weakened.

Layer: checks, pure, data only.

The words for tokens are those of the verb ``operate`` (DEVELOPERS.md, "Probes").
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from harness.core.entries import Spoil
from harness.core.model import Plan

MODULE = "branch-operators"
DEVICES = f"/restconf/data/{MODULE}:devices"
HOLD, RELEASE = (f"/restconf/operations/{MODULE}:{word}" for word in ("hold", "release"))
OTHER_AUDIENCE, OTHER_ISSUER = "another-service", "https://id.elsewhere.example"
"""Those of the verb's tokens ``other_audience`` and ``other_issuer``."""
RIGHT, ALONE, NONE = "second_factor", "password_only", "none"


@dataclass(frozen=True, slots=True)
class Wrong:
    """A token that must be refused: in words, and by what reason."""

    text: str
    reason: str
    signed: bool = True
    """Its signature is good: the log must name its subject."""


NO_FACTOR = Wrong("without the second factor", "second_factor")
WRONG: Mapping[str, Wrong] = {
    "expired": Wrong("that has expired", "expired"),
    "not_yet": Wrong("that is not yet valid", "not_yet"),
    "other_audience": Wrong("for another audience", "audience"),
    "other_issuer": Wrong("of another issuer", "issuer"),
    "other_type": Wrong("that is no access token", "type", signed=False),
    "wrong_signature": Wrong("with a wrong signature", "signature", signed=False),
    "unknown_key": Wrong("signed with a key that the issuer does not have", "unknown_key", signed=False),
    "no_algorithm": Wrong("without a signature (alg none)", "algorithm", signed=False),
    "key_as_secret": Wrong("signed with the public key as a secret (alg HS256)", "algorithm", signed=False),
}


def get_wrong(bearer: str) -> Wrong:
    """Return what is wrong with a token."""
    return NO_FACTOR if bearer == ALONE else WRONG[bearer]


def wants_both(plan: Plan) -> bool:
    """Say whether the profile asks for a second factor."""
    return plan.branch.operators is not None and plan.branch.operators.second_factor


def list_tries(plan: Plan) -> tuple[tuple[str, str, str], ...]:
    """Return (bearer, method, path) of each try, in order. The last undoes what an open door let happen."""
    device = f"{DEVICES}/device={plan.branch.serial}"
    wrong = tuple((bearer, "POST", HOLD) for bearer in (ALONE, *WRONG, NONE))
    return ((RIGHT, "GET", DEVICES), *wrong, (RIGHT, "GET", device), (RIGHT, "POST", RELEASE))


def _set(key: str, value: Any) -> Any:
    def change(settings: dict[str, Any]) -> None:
        settings["operators"][key] = value

    return change


def _drop(settings: dict[str, Any]) -> None:
    settings["operators"] = None


def list_spoils(plan: Plan) -> tuple[Spoil, ...]:
    """Return what weakens the server's door, the check's twin first."""
    if plan.branch.operators is None:
        return ()
    weaker = Spoil("no second factor asked for", "operators.second_factor", _set("second_factor", False), "management")
    return (
        *((weaker,) if wants_both(plan) else ()),
        Spoil("another service's tokens taken", "operators.audience", _set("audience", OTHER_AUDIENCE), "management"),
        Spoil("another issuer's tokens taken", "operators.issuer", _set("issuer", OTHER_ISSUER), "management"),
        Spoil("no operator let in at all", "operators", _drop, "management"),
    )
