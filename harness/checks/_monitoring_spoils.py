"""How monitoring can be weaker than the profile says, for the check `monitoring`. Layer: checks, pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from harness.checks._monitoring_tries import CONTACT, INITIAL, WEAKEST, is_in, list_shut
from harness.core.entries import Evidence, Spoil
from harness.core.model import Plan

Change = Callable[[dict[str, Any]], None]


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    monitoring = plan.branch.monitoring
    if monitoring is None:
        return ()
    found = [] if monitoring.views == ("1.3",) else [_spoil("everything may be read", "views", _set_views("1.3"))]
    for place, view in enumerate(monitoring.views):
        wider = view.rpartition(".")[0]
        if wider not in ("", "1", "1.3"):
            found.append(_spoil(f"{wider} instead of {view} may be read", f"views[{place}]", _set_views(wider)))
    shut = [p.name for p in list_shut(plan, Evidence())]
    found += [_spoil(f"monitoring is open to {name}", "reach_from", _open_to(name)) for name in shut]
    for place, user in enumerate(monitoring.users):
        key = f"users[{place}]"
        if user.auth != WEAKEST:
            weaker = _change_user(place, lambda u: u.update(auth=WEAKEST))
            found.append(_spoil(f"{user.name} proves himself by SHA-1", f"{key}.auth", weaker))
        for word in ("auth_key", "priv_key"):
            other = _change_user(place, lambda u, word=word: u.update({word: f"{u[word]}x"}))  # type: ignore[misc]
            found.append(_spoil(f"{user.name} has another {word}", f"{key}.{word}", other))
    if all(user.name != INITIAL for user in monitoring.users):
        found.append(_spoil(f"a user {INITIAL} is added", "users", _add_user))
    if is_in(CONTACT, monitoring.views):
        found.append(_spoil("another contact is told", "contact", lambda m: m.update(contact="somebody else")))
    return tuple(found)


def _spoil(title: str, key: str, change: Change) -> Spoil:
    return Spoil(title, f"monitoring.{key}", lambda config: change(config["monitoring"]))


def _set_views(view: str) -> Change:
    return lambda monitoring: monitoring.update(views=[view])


def _open_to(name: str) -> Change:
    return lambda monitoring: monitoring["reach_from"].append(name)


def _change_user(place: int, change: Change) -> Change:
    return lambda monitoring: change(monitoring["users"][place])


def _add_user(monitoring: dict[str, Any]) -> None:
    monitoring["users"].append({**monitoring["users"][0], "name": INITIAL})
