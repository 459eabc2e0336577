"""The rule base put to a case: causes, the most probable first. Layer: diagnosis, pure."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from harness.core.registry import CatalogueError
from harness.diagnosis import causes
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Cause, Sign

MOST = 5
"""Causes that are named at most."""


@dataclass(frozen=True, slots=True)
class Ground:
    """A sign that is there, and the numbers of the observations that it rests on."""

    text: str
    evidence: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Named:
    """A cause named, with all that speaks for and against it."""

    cause: Cause
    score: float
    grounds: tuple[Ground, ...]
    against: tuple[Ground, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """`named`: the most probable first; empty where nothing is wrong, or where the cause is not known."""

    stopped: str | None
    named: tuple[Named, ...]

    @property
    def is_known(self) -> bool:
        return bool(self.named)


@cache
def load_causes() -> tuple[Cause, ...]:
    """Return all rows. Raises: CatalogueError for two of one name."""
    rows: list[Cause] = []
    for name in sorted(m.name for m in pkgutil.iter_modules(causes.__path__) if not m.name.startswith("_")):
        rows += importlib.import_module(f"{causes.__name__}.{name}").CAUSES
    names = [row.name for row in rows]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise CatalogueError(f"harness.diagnosis.causes: expected each name once, saw {', '.join(twice)} twice")
    return tuple(rows)


def diagnose(case: Case, rows: Sequence[Cause] | None = None) -> Diagnosis:
    """Return the causes whose needs are all met, ranked by what speaks for and against them."""
    named = [found for row in (load_causes() if rows is None else rows) if (found := _weigh(case, row)) is not None]
    named.sort(key=lambda n: -n.score)
    return Diagnosis(case.stopped, tuple(named[:MOST]))


def _weigh(case: Case, row: Cause) -> Named | None:
    needed = [_look(case, sign) for sign in row.needs]
    if any(ground is None for ground in needed):
        return None
    pro = [(sign, ground) for sign in row.speaks_for if (ground := _look(case, sign)) is not None]
    contra = [(sign, ground) for sign in row.speaks_against if (ground := _look(case, sign)) is not None]
    score = sum(s.weight for s in row.needs) + sum(s.weight for s, _ in pro) - sum(s.weight for s, _ in contra)
    grounds = [g for g in needed if g is not None] + [g for _, g in pro]
    return Named(row, score, tuple(grounds), tuple(g for _, g in contra))


def _look(case: Case, sign: Sign) -> Ground | None:
    found = sign.find(case)
    return None if found is None else Ground(sign.text, tuple(s.index for s in found))
