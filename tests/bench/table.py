"""Results as a plain table of 80 columns. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from tests.bench.figures import Figure, Result

WIDTH = 80
_MARKS = {True: "met", False: "NOT met", None: ""}


def render_result(result: Result) -> str:
    """Return one measurement: its title, its figures, its notes."""
    lines = [f"{result.name}: {result.title}"]
    lines += [_render_figure(figure) for figure in result.figures]
    for note in result.notes:
        lines += textwrap.wrap(note, WIDTH, initial_indent="  ", subsequent_indent="  ")
    return "\n".join(lines)


def _render_figure(figure: Figure) -> str:
    whole = isinstance(figure.value, int) or abs(figure.value) >= 1000
    number = f"{figure.value:.{0 if whole else 3}f}"
    cells = f"  {figure.name:<40.40}{number:>9} {figure.unit:<7.7}{figure.target:>12} {_MARKS[figure.met]:<8}"
    return cells.rstrip()


def render_end(results: Iterable[Result]) -> str:
    """Return the last line: how many targets were met."""
    judged = [figure.met for result in results for figure in result.figures if figure.met is not None]
    return f"{sum(judged)} of {len(judged)} targets met"
