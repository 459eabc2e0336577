"""A sites file as CSV (RFC 4180), the form that a list of sites has in an office. Layer: profile, bytes in, pure.

One heading line, one line a site, commas; a line that begins with # is a comment. Columns are flat: `site`, `hostname`,
`location`, `serial`, `mac`; `sim1_iccid`, `sim1_imsi`, `sim1_pin` and so on for each slot; `subnet_office` and so on
for each segment. An empty cell is a value left out. What others have on record (`on_record`) needs the YAML form.

The result has the shape of the YAML form, so that the same schema judges it; its marks point into the CSV.
"""

from __future__ import annotations

import csv
import difflib
import re
from dataclasses import dataclass
from typing import Any

from harness.errors import Problem
from harness.profile.marked import Mark, Marked, decode

_COLUMNS = ("site", "hostname", "location", "serial", "mac")
_SIM = re.compile(r"sim(?P<slot>[1-8])_(?P<key>iccid|imsi|pin)")
_SUBNET = re.compile(r"subnet_(?P<segment>[a-z][a-z0-9]*)")
_CELL = re.compile(r'("(?:[^"]|"")*"|[^,]*)(?:,|$)')


@dataclass(frozen=True, slots=True)
class _Cell:
    text: str
    mark: Mark


def read_sites_csv(file: str, content: bytes) -> tuple[Marked, tuple[Problem, ...]]:
    """Read a sites file in CSV. Where there are problems, the data holds what could be read around them."""
    marked = Marked(file, None, {(): Mark(1, 1)})
    text, problems = decode(file, content)
    if problems:
        return marked, problems
    found: list[Problem] = []
    rows = _split(file, text, found)
    if not rows:
        return marked, (*found, Problem(file, 0, 0, "", "expected a heading line, saw only comments"))
    columns = rows[0]
    sites: dict[str, Any] = {}
    found += _check_columns(file, columns)
    for row in rows[1:]:
        _add_site(marked, sites, columns, row, found)
    marked.data = {"format": 1, "sites": sites}
    return marked, tuple(found)


def _split(file: str, text: str, found: list[Problem]) -> list[list[_Cell]]:
    rows = []
    for number, line in enumerate(text.split("\n"), start=1):
        line = line.removesuffix("\r")  # noqa: PLW2901
        if not line.strip(" ,;\t") or line.startswith("#"):
            continue
        try:
            texts = next(csv.reader([line], strict=True, skipinitialspace=False))
        except csv.Error as error:
            found.append(Problem(file, number, 1, "", f"not CSV (RFC 4180): {error}"))
            continue
        starts = [match.start() + 1 for match in _CELL.finditer(line)]
        cells = zip(texts, starts + [1] * len(texts), strict=False)
        rows.append([_Cell(cell.strip(), Mark(number, start)) for cell, start in cells])
    return rows


def _check_columns(file: str, columns: list[_Cell]) -> list[Problem]:
    found, seen = [], set()
    for cell in columns:
        name = cell.text
        if name in seen:
            found.append(Problem(file, cell.mark.line, cell.mark.column, name, "the column stands twice"))
        elif name not in _COLUMNS and not _SIM.fullmatch(name) and not _SUBNET.fullmatch(name):
            hint = "; separate columns by commas, not semicolons" if ";" in name else _nearest(name)
            found.append(Problem(file, cell.mark.line, cell.mark.column, name, f"unknown column{hint}"))
        seen.add(name)
    if "site" not in seen:
        found.append(Problem(file, columns[0].mark.line, 1, "site", "expected this column, saw none"))
    return found


def _nearest(name: str) -> str:
    near = difflib.get_close_matches(name, (*_COLUMNS, "sim1_iccid", "sim1_imsi", "sim1_pin", "subnet_"), n=1)
    return f"; nearest: {near[0]}" if near else f"; known: {', '.join(_COLUMNS)}, simN_..., subnet_..."


def _add_site(
    marked: Marked, sites: dict[str, Any], columns: list[_Cell], row: list[_Cell], found: list[Problem]
) -> None:
    mark = row[0].mark
    if len(row) > len(columns):
        seen = f"expected {len(columns)} cells as in the heading, saw {len(row)}"
        found.append(Problem(marked.file, mark.line, row[len(columns)].mark.column, "", seen))
        return
    cells = {column.text: cell for column, cell in zip(columns, row, strict=False) if cell.text}
    name = cells.pop("site", None)
    if name is None:
        found.append(Problem(marked.file, mark.line, mark.column, "site", "expected the site's name, saw nothing"))
        return
    if name.text in sites:
        first = marked.find_mark(("sites", name.text)).line
        seen = f"the site stands twice, first in line {first}"
        found.append(Problem(marked.file, mark.line, name.mark.column, f"sites.{name.text}", seen))
        return
    marked.marks["sites", name.text] = name.mark
    sites[name.text] = _build_site(marked, name.text, cells)


def _build_site(marked: Marked, name: str, cells: dict[str, _Cell]) -> dict[str, Any]:
    site: dict[str, Any] = {}
    cards: dict[int, dict[str, Any]] = {}
    for column, cell in cells.items():
        if sim := _SIM.fullmatch(column):
            slot = int(sim["slot"])
            card = cards.setdefault(slot, {"slot": slot})
            card[sim["key"]] = cell.text
            path: tuple[str | int, ...] = ("sites", name, "sims", list(cards).index(slot), sim["key"])
            marked.marks.setdefault(path[:-1], cell.mark)
        elif subnet := _SUBNET.fullmatch(column):
            site.setdefault("subnets", {})[subnet["segment"]] = cell.text
            path = ("sites", name, "subnets", subnet["segment"])
        elif column in _COLUMNS:
            site[column] = cell.text
            path = ("sites", name, column)
        else:
            continue
        marked.marks[path] = cell.mark
    site["sims"] = list(cards.values())
    return site
