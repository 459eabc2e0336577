"""How a web filter can be weaker than the profile says, for the check `web_filter`. Layer: checks, pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from emulators.common.controls import WebFilter
from harness.checks._shared import list_clients
from harness.core.entries import Spoil
from harness.core.model import Plan
from harness.core.web_names import fold, list_blocked

KEY = "web_filter"
Change = Callable[[dict[str, Any]], None]


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    control = plan.branch.web_filter
    if control is None:
        return ()
    found = []
    for place, category in enumerate(control.blocked):
        for name in dict.fromkeys((category.names[0], category.names[-1])):
            if not _is_covered(control, name):
                title = f"{name} is not blocked"
                found.append(_spoil(title, f"blocked[{place}].names", _drop_name(place, name)))
        if place > 0:
            found.append(_spoil(f"category {category.name} is left out", f"blocked[{place}]", _drop("blocked", place)))
    for _, segment in list_clients(plan):
        if segment.name not in control.segments:
            continue
        place = control.segments.index(segment.name)
        found.append(_spoil(f"{segment.name} is not filtered", f"segments[{place}]", _drop("segments", place)))
    for place, host in enumerate(control.encrypted_resolvers):
        key = f"encrypted_resolvers[{place}]"
        found.append(_spoil(f"{host} may be asked", key, _drop("encrypted_resolvers", place)))
    other = "refused" if control.answer == "nxdomain" else "nxdomain"
    found.append(_spoil(f"blocked names get {other}", "answer", lambda c: c.update(answer=other)))
    return (*found, Spoil("there is no web filter", KEY, lambda config: config.update(web_filter=None)))


def _spoil(title: str, key: str, change: Change) -> Spoil:
    return Spoil(title, f"{KEY}.{key}", lambda config: change(config[KEY]))


def _drop_name(place: int, name: str) -> Change:
    return lambda control: control["blocked"][place]["names"].remove(name)


def _drop(key: str, place: int) -> Change:
    return lambda control: control[key].pop(place)


def _is_covered(control: WebFilter, name: str) -> bool:
    """Say whether a name stays blocked by another one when it is dropped."""
    return any(fold(name).endswith(f".{other}") for other in list_blocked(control))
