"""The rule base put to a case: causes, the most probable first. Layer: diagnosis, pure.

A row counts for what it needs, and for what more speaks for it than against it: so a cause that accounts for more of
what was seen, in words that fit it alone, comes before one that would account for a part. Of two that count the same,
the one whose trouble was seen first comes first: the later may follow from it. A row that fits but for the bring-up
having been stopped (by something else) counts `STOPPED_BESIDE` less: whatever stopped it comes first.
"""

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
STOPPED_BESIDE = 2.0
"""What a row loses that does not explain why the bring-up stopped. Our choice: more than any one general sign, less
than what fits a cause alone."""


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


def diagnose(case: Case, rows: Sequence[Cause] | None = None, most: int = MOST) -> Diagnosis:
    """Return the causes whose needs are met, ranked by what speaks for and against them."""
    named = [found for row in (load_causes() if rows is None else rows) if (found := _weigh(case, row)) is not None]
    began = {n: at for at, n in enumerate(s.index for s in case.evidence)}
    named.sort(key=lambda n: (-n.score, min((began[i] for g in n.grounds for i in g.evidence), default=len(began))))
    return Diagnosis(case.stopped, tuple(named[:most]))


def _weigh(case: Case, row: Cause) -> Named | None:
    needed = [(sign, _look(case, sign)) for sign in row.needs]
    missing = [sign for sign, ground in needed if ground is None]
    if missing and (case.stopped is None or not all(sign.is_of_success for sign in missing)):
        return None
    pro = [(sign, ground) for sign in row.speaks_for if (ground := _look(case, sign)) is not None]
    contra = [(sign, ground) for sign in row.speaks_against if (ground := _look(case, sign)) is not None]
    there = [(sign, ground) for sign, ground in (*needed, *pro) if ground is not None]
    score = sum(s.weight for s, _ in there) - sum(s.weight for s, _ in contra) - (STOPPED_BESIDE if missing else 0.0)
    return Named(row, score, tuple(g for _, g in there), tuple(g for _, g in contra))


def _look(case: Case, sign: Sign) -> Ground | None:
    found = sign.find(case)
    return None if found is None else Ground(sign.text, tuple(dict.fromkeys(s.index for s in found)))
