"""Typed looks into plain data of which nothing is certain. Layer: profile, pure.

A getter returns what stands at a path if it has the asked kind and None (or nothing) otherwise: what is wrong with it
there is explain.py's to say. So a check sees every part that can be understood, and makes up no mistakes.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field
from typing import Any

from harness.errors import Problem
from harness.profile.identifiers import check_address, check_network
from harness.profile.marked import Marked, Path


@dataclass(slots=True)
class View:
    """One file's data, with the problems found in it."""

    marked: Marked
    errors: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)

    def error(self, path: Path, message: str) -> None:
        self.errors.append(self.marked.problem(path, message))

    def warn(self, path: Path, message: str) -> None:
        self.warnings.append(self.marked.problem(path, message))

    def get(self, path: Path) -> Any:
        """Return what stands at a path, or None."""
        value = self.marked.data
        for part in path:
            if isinstance(part, int):
                if not isinstance(value, list) or part >= len(value):
                    return None
            elif not isinstance(value, dict) or part not in value:
                return None
            value = value[part]
        return value

    def text(self, *path: str | int) -> str | None:
        value = self.get(path)
        return value if isinstance(value, str) else None

    def number(self, *path: str | int) -> int | None:
        value = self.get(path)
        return value if isinstance(value, int) and not isinstance(value, bool) else None

    def network(self, *path: str | int) -> ipaddress.IPv4Network | None:
        value = self.text(*path)
        return try_network(value) if value is not None else None

    def address(self, *path: str | int) -> ipaddress.IPv4Address | None:
        value = self.text(*path)
        try:
            return ipaddress.IPv4Address(check_address(value)) if value is not None else None
        except ValueError:
            return None

    def items(self, *path: str | int) -> list[Path]:
        """Return the paths of a list's items."""
        value = self.get(path)
        return [(*path, index) for index in range(len(value))] if isinstance(value, list) else []

    def keys(self, *path: str | int) -> list[str]:
        """Return a mapping's keys."""
        value = self.get(path)
        return list(value) if isinstance(value, dict) else []

    def texts(self, *path: str | int) -> list[tuple[Path, str]]:
        """Return path and value of a list's items that are texts."""
        return [(item, text) for item in self.items(*path) if (text := self.text(*item)) is not None]

    def complain_twice(self, items: Iterable[tuple[Path, Hashable]], what: str) -> None:
        """Complain of each value met before, with the line of the first. None is no value."""
        first: dict[Hashable, Path] = {}
        for path, value in items:
            if value is None:
                continue
            if value in first:
                line = self.marked.find_mark(first[value]).line
                self.error(path, f"{what} {value} stands twice, first in line {line}")
            else:
                first[value] = path


def try_network(text: str) -> ipaddress.IPv4Network | None:
    """Return a network, or None where the text is none."""
    try:
        return ipaddress.IPv4Network(check_network(text))
    except ValueError:
        return None
