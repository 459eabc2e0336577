"""What is asked for names, from where, and what must come, for the check `web_filter`. Layer: checks, pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from emulators.common.controls import WebFilter
from harness.checks._shared import find_router_address
from harness.core.model import Plan
from harness.core.sections import Segment
from harness.core.web_names import (
    OTHER_RESOLVERS,
    find_resolvers,
    fold,
    list_blocked,
    list_encrypted,
    list_look_alikes,
    list_sub_domains,
)

RCODES = {"nxdomain": "NXDOMAIN", "refused": "REFUSED"}  # RFC 1035 section 4.1.1: 3 and 5
OTHER_TYPES = ("AAAA", "HTTPS")  # RFC 3596; RFC 9460: it may hold addresses, too
MOST_NAMES = 500
"""Blocked names that are asked for: a bound on what a run takes; the profile's own are fewer, or its first."""
TRANSPORTS = ("udp", "tcp", "dot")
Result = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `holds` judges the answer."""

    args: Mapping[str, Any]
    holds: Callable[[Result], bool]

    @property
    def what(self) -> str:
        """What is asked, in words."""
        name, kind, transport = (str(self.args.get(key, "")) for key in ("name", "type", "transport"))
        to = f" of {self.args['server']} by {transport}" if transport else ""
        return f"{name}{f' {kind}' if kind else ''}{to}"


# ---------------------------------------------------------------- the router's resolver, in a filtered segment


def ask_blocked(control: WebFilter, server: str) -> tuple[Question, ...]:
    """Return questions for everything that is blocked: each name; of each category's first, also its sub-domains,
    other spellings of it (RFC 4343: case means nothing) and other types of record."""
    rcode = RCODES[control.answer]

    def is_blocked(result: Result) -> bool:
        return result.get("outcome") == "answered" and result.get("rcode") == rcode and not result.get("records")

    names = [*list_blocked(control)[:MOST_NAMES], *list_encrypted(control)]
    asked: list[dict[str, str]] = [{"name": name} for name in names]
    for first in list_firsts(control):
        asked += [{"name": each} for each in (*list_sub_domains(first), first.upper(), f"{first}.")]
        asked += [{"name": first, "type": kind} for kind in OTHER_TYPES]
    return tuple(Question({**each, "server": server}, is_blocked) for each in asked)


def ask_look_alikes(control: WebFilter, server: str) -> tuple[Question, ...]:
    """Return questions for names that look like blocked ones and are none."""
    names = dict.fromkeys(like for first in list_firsts(control) for like in list_look_alikes(control, first))
    return tuple(Question({"name": name, "server": server}, is_given) for name in names)


def ask_firsts(control: WebFilter, server: str) -> tuple[Question, ...]:
    """Return questions for each category's first name, which where nobody filters must be answered."""
    return tuple(Question({"name": name, "server": server}, is_given) for name in list_firsts(control))


def list_firsts(control: WebFilter) -> tuple[str, ...]:
    """Return each category's first name."""
    return tuple(dict.fromkeys(fold(category.names[0]) for category in control.blocked if category.names))


# ---------------------------------------------------------------- other resolvers


def ask_others(plan: Plan, control: WebFilter, segment: Segment) -> tuple[Question, ...]:
    """Return questions to whoever else would answer: resolvers on the internet, and the router in other segments."""
    own = [s for s in plan.branch.segments if s.name not in control.segments and s is not segment]
    asked = [{"server": find_router_address(s), "transport": "udp"} for s in own]
    return _ask_first(control, [*asked, *_list_others(control)], is_unanswered)


def ask_control(control: WebFilter) -> tuple[Question, ...]:
    """Return questions that show, where nobody filters, that the names are there and that the others answer."""
    names = [{"name": name, "server": OTHER_RESOLVERS[0]} for name in list_blocked(control)[:MOST_NAMES]]
    given = tuple(Question(each, is_given) for each in names)
    return (*given, *_ask_first(control, _list_others(control), is_given))


def _list_others(control: WebFilter) -> list[dict[str, str]]:
    plain = [{"server": OTHER_RESOLVERS[0], "transport": transport} for transport in TRANSPORTS]
    hidden = find_resolvers(control).items()
    return [*plain, *({"server": address, "transport": "doh", "host": name} for name, address in hidden)]


def _ask_first(
    control: WebFilter, asked: list[dict[str, str]], holds: Callable[[Result], bool]
) -> tuple[Question, ...]:
    first = list_firsts(control)[0]
    return tuple(Question({"name": first, **each}, holds) for each in asked)


def is_given(result: Result) -> bool:
    """Say whether an answer gives an address."""
    return result.get("outcome") == "answered" and result.get("rcode") == "NOERROR" and bool(result.get("addresses"))


def is_unanswered(result: Result) -> bool:
    """Say whether nobody answered: turned away, or silence."""
    return result.get("outcome") in ("refused", "silent")
