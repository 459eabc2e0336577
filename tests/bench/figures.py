"""What a measurement comes to: figures with targets, and the samples behind them. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


class BenchError(RuntimeError):
    """A measurement could not be made. The text says what was expected and what was seen."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table. `met` None: there is no target, the figure is for information."""

    name: str
    value: float
    unit: str
    target: str = ""
    met: bool | None = None


@dataclass(frozen=True, slots=True)
class Result:
    """One measurement. `notes` say what was measured on what; `samples` are the raw numbers."""

    name: str
    title: str
    figures: tuple[Figure, ...]
    notes: tuple[str, ...] = ()
    samples: Mapping[str, Any] = field(default_factory=dict)


def at_most(name: str, value: float, unit: str, limit: float) -> Figure:
    """Return a figure whose target is an upper limit."""
    return Figure(name, value, unit, f"<= {limit:g}", value <= limit)


def more_than(name: str, value: float, unit: str, limit: float) -> Figure:
    """Return a figure whose target is to exceed a limit."""
    return Figure(name, value, unit, f"> {limit:g}", value > limit)


def report(name: str, value: float, unit: str) -> Figure:
    """Return a figure without a target."""
    return Figure(name, value, unit)
