"""The catalogues: finds stages and checks, one module each, in sorted order. Layer: core; imports, no other effect.

A module of `harness.stages` holds `STAGE` and `EXAMPLES`; one of `harness.checks` holds `CHECK` and `EXAMPLES`.
Raises: CatalogueError for a module that lacks either, or for two entries of one name or place.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from types import ModuleType
from typing import TypeVar

from harness.core.entries import Check, Example, Stage

_E = TypeVar("_E", Stage, Check)


class CatalogueError(Exception):
    """A catalogue is not in order: our own bug."""


@cache
def load_stages() -> tuple[Stage, ...]:
    """Return all stages in the order of the bring-up."""
    return tuple(entry for entry, _ in _load("harness.stages", "STAGE", Stage))


@cache
def load_checks() -> tuple[Check, ...]:
    """Return all checks in order."""
    return tuple(entry for entry, _ in _load("harness.checks", "CHECK", Check))


def load_stage_examples() -> tuple[tuple[Stage, tuple[Example, ...]], ...]:
    """Return each stage with its examples."""
    return _load("harness.stages", "STAGE", Stage)


def load_check_examples() -> tuple[tuple[Check, tuple[Example, ...]], ...]:
    """Return each check with its examples."""
    return _load("harness.checks", "CHECK", Check)


def _load(package: str, attribute: str, cls: type[_E]) -> tuple[tuple[_E, tuple[Example, ...]], ...]:
    entries = []
    parent = importlib.import_module(package)
    for name in sorted(m.name for m in pkgutil.iter_modules(parent.__path__) if not m.name.startswith("_")):
        module = importlib.import_module(f"{package}.{name}")
        entries.append((_get(module, attribute, cls), _get(module, "EXAMPLES", tuple)))
    for word, keys in (("name", [e.name for e, _ in entries]), ("order", [str(e.order) for e, _ in entries])):
        twice = sorted({k for k in keys if keys.count(k) > 1})
        if twice:
            raise CatalogueError(f"{package}: expected each {word} once, saw {', '.join(twice)} twice")
    return tuple(sorted(entries, key=lambda pair: pair[0].order))


_A = TypeVar("_A")


def _get(module: ModuleType, attribute: str, cls: type[_A]) -> _A:
    value = getattr(module, attribute, None)
    if not isinstance(value, cls):
        raise CatalogueError(f"{module.__name__}: expected {attribute} of type {cls.__name__}, saw {value!r:.60}")
    return value
