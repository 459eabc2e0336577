"""The catalogues: finds stages, checks, invariants and faults, one module each, in sorted order. Layer: core; it
imports, and has no other effect.

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
from harness.core.faults import Fault

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


@cache
def load_invariants() -> tuple[Check, ...]:
    """Return what must hold of a device after any fault, in order."""
    return tuple(entry for entry, _ in load_invariant_examples())


def load_invariant_examples() -> tuple[tuple[Check, tuple[Example, ...]], ...]:
    """Return each invariant with its examples."""
    return _load("harness.invariants", "INVARIANT", Check)


@cache
def load_faults() -> tuple[Fault, ...]:
    """Return all faults in order. A module of `harness.faults` holds `FAULT`; its proof is the drill."""
    modules = _find_modules("harness.faults")
    faults = [_get(module, "FAULT", Fault) for module in modules]
    _check_unique("harness.faults", [f.name for f in faults], [f.order for f in faults])
    return tuple(sorted(faults, key=lambda f: f.order))


def load_stage_examples() -> tuple[tuple[Stage, tuple[Example, ...]], ...]:
    """Return each stage with its examples."""
    return _load("harness.stages", "STAGE", Stage)


def load_check_examples() -> tuple[tuple[Check, tuple[Example, ...]], ...]:
    """Return each check with its examples."""
    return _load("harness.checks", "CHECK", Check)


def _load(package: str, attribute: str, cls: type[_E]) -> tuple[tuple[_E, tuple[Example, ...]], ...]:
    entries = [(_get(m, attribute, cls), _get(m, "EXAMPLES", tuple)) for m in _find_modules(package)]
    _check_unique(package, [e.name for e, _ in entries], [e.order for e, _ in entries])
    return tuple(sorted(entries, key=lambda pair: pair[0].order))


def _find_modules(package: str) -> list[ModuleType]:
    parent = importlib.import_module(package)
    names = sorted(m.name for m in pkgutil.iter_modules(parent.__path__) if not m.name.startswith("_"))
    return [importlib.import_module(f"{package}.{name}") for name in names]


def _check_unique(package: str, names: list[str], orders: list[int]) -> None:
    for word, keys in (("name", names), ("order", list(map(str, orders)))):
        twice = sorted({k for k in keys if keys.count(k) > 1})
        if twice:
            raise CatalogueError(f"{package}: expected each {word} once, saw {', '.join(twice)} twice")


_A = TypeVar("_A")


def _get(module: ModuleType, attribute: str, cls: type[_A]) -> _A:
    value = getattr(module, attribute, None)
    if not isinstance(value, cls):
        raise CatalogueError(f"{module.__name__}: expected {attribute} of type {cls.__name__}, saw {value!r:.60}")
    return value
