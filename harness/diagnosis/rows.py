"""What a row of the rule base is made of, and the signs that rows are written in. Layer: diagnosis, pure.

A row is a cause of the field. It is named only where all signs that it `needs` are there; signs `for` and `against` it
move it up and down among those that are. A sign finds the evidence that it rests on; a sign of something *not* there
points at nothing. Every row needs at least one sign of trouble: a run that went well has no cause.

The signs that most rows need are here: `stopped_at`, `all_passed`, `saw`, `never`. signs.py holds more (order, silence,
numbers, log lines, answers of probes, findings of stages, and signs made of signs).

Weights are our own choice: 1 is a sign that fits a few causes, 3 one that fits this cause alone (a refusal in the
words of a standard), 0.5 a mere hint.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from harness.core.entries import Evidence, Seen
from harness.core.model import Plan
from harness.diagnosis.case import Case

Find = Callable[[Case], tuple[Seen, ...] | None]
"""None: the sign is not there. Else what it rests on; empty where there is nothing to point at."""
Accept = Callable[[Plan, Seen], bool]


@dataclass(frozen=True, slots=True)
class Sign:
    text: str
    """What was seen, for people: ``the carrier refuses the APN as unknown (ESM cause 27)``."""
    find: Find
    weight: float = 1.0
    is_of_success: bool = False
    """It says no more than that the bring-up was passed. Where that was stopped by something else, the row it belongs
    to still holds, for less: two troubles can befall one branch."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One row. `name` is that of a fault where the bench can bring it about."""

    name: str
    title: str
    """The cause in a few words: ``the APN is unknown to the carrier``."""
    needs: tuple[Sign, ...]
    tell_apart: str
    """What would tell it from the causes that look most like it."""
    at_bench: str
    """What to do at the bench."""
    at_site: str
    """What to do at the site, for the engineer."""
    sentence: str
    """What to tell the person on site, in one sentence."""
    speaks_for: tuple[Sign, ...] = ()
    speaks_against: tuple[Sign, ...] = ()


# ---------------------------------------------------------------- signs


def stopped_at(*stages: str, weight: float = 1.0) -> Sign:
    """The bring-up stops at one of the stages."""
    text = f"the bring-up stops at {' or '.join(stages)}"

    def find(case: Case) -> tuple[Seen, ...] | None:
        return () if case.stopped in stages else None

    return Sign(text, find, weight)


def all_passed(weight: float = 0.5) -> Sign:
    """Every stage of the bring-up was passed: the trouble came later, or did no harm."""
    find: Find = lambda case: () if case.stopped is None else None  # noqa: E731 - as short as it is
    return Sign("every stage is passed", find, weight, is_of_success=True)


def saw(
    text: str,
    source: str,
    kind: str,
    *,
    least: int = 1,
    most: int | None = None,
    accepts: Accept | None = None,
    weight: float = 1.0,
    later: bool | None = False,
    **fields: Any,
) -> Sign:
    """Something was seen at least `least` and at most `most` times; `later`: once the bring-up was passed (else
    at any time)."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        found = find_seen(case, choose_part(case, later), source, kind, accepts, fields)
        return tuple(found) if least <= len(found) <= (len(found) if most is None else most) else None

    return Sign(text, find, weight)


def never(
    text: str,
    source: str,
    kind: str,
    *,
    accepts: Accept | None = None,
    weight: float = 1.0,
    later: bool | None = False,
    **fields: Any,
) -> Sign:
    """Something was not seen at all."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        found = find_seen(case, choose_part(case, later), source, kind, accepts, fields)
        return None if found else ()

    return Sign(text, find, weight)


def holds(text: str, find: Find, *, weight: float = 1.0) -> Sign:
    """Return a sign that needs a function of its own."""
    return Sign(text, find, weight)


def choose_part(case: Case, later: bool | None) -> Evidence:
    """Return what came once the bring-up was passed, or (False, None) all of the evidence."""
    return case.later if later else case.evidence


def find_seen(  # noqa: PLR0917 - the whole of a sign, in its own order
    case: Case, evidence: Evidence, source: str, kind: str, accepts: Accept | None, fields: dict[str, Any]
) -> Sequence[Seen]:
    """Return what a sign asks for, in the order in which it happened. A source ``client`` is any client."""
    sources = [source]
    if source == "client":
        sources = sorted({s.observation.source for s in evidence if s.observation.source.startswith("client")})
    found = [s for one in sources for s in evidence.find_all(one, kind, **fields)]
    return sorted((s for s in found if accepts is None or accepts(case.plan, s)), key=lambda s: (s.at_ns, s.index))
