"""The verbs ``impair`` and ``mend``: a stand-in does its part badly for as long as it is told to. Layer: stand-in.

What a stand-in can do badly is in its package ``impairments``, one module a subject: each has ``offer(context)``, which
returns name to `Impair`. An `Impair` is called with its parameters, starts the trouble, and returns what ends it.

Laws: an impairment says nothing of itself, neither in an event nor in a log: what is seen of it is what would be seen
in the field. Each is under way once at most, and is ended once: by ``mend``, or with the container. One that cannot be
ended is an error of ``mend`` and stays listed.
"""

from __future__ import annotations

import importlib
import pkgutil
import threading
from collections.abc import Callable, Mapping
from typing import Any

from emulators.common.service import Handler

Mend = Callable[[], object]
"""Ends an impairment; what it returns is nothing to anybody."""
Impair = Callable[..., Mend]


class ImpairmentError(ValueError):
    """The impairment is not known, already under way, or not under way."""


class Impairments:
    """What a stand-in can do badly, and what it does badly now."""

    def __init__(self, offered: Mapping[str, Impair]) -> None:
        self._offered = dict(offered)
        self._under_way: dict[str, Mend] = {}
        self._lock = threading.Lock()

    def impair(self, what: str, **parameters: Any) -> dict[str, Any]:
        """Start one. Raises: ImpairmentError; whatever the impairment itself raises."""
        with self._lock:
            if what not in self._offered:
                raise ImpairmentError(f"{what}: expected one of {', '.join(sorted(self._offered))}")
            if what in self._under_way:
                raise ImpairmentError(f"{what} is under way already")
            self._under_way[what] = self._offered[what](**parameters)
        return {"under_way": sorted(self._under_way)}

    def mend(self, what: str) -> dict[str, Any]:
        """End one. Raises: ImpairmentError where it is not under way."""
        with self._lock:
            if what not in self._under_way:
                raise ImpairmentError(f"{what} is not under way")
            self._under_way[what]()
            del self._under_way[what]
        return {"under_way": sorted(self._under_way)}

    def list_under_way(self) -> dict[str, Any]:
        """Return the names of those under way."""
        return {"under_way": sorted(self._under_way)}

    def verbs(self) -> dict[str, Handler]:
        """Return the handlers of ``impair``, ``mend`` and ``impaired``."""
        return {"impair": self.impair, "mend": self.mend, "impaired": self.list_under_way}


def load_impairments(package: str, context: Any) -> Impairments:
    """Return what the modules of a package offer. Raises: ImpairmentError for two of one name."""
    offered: dict[str, Impair] = {}
    parent = importlib.import_module(package)
    for name in sorted(m.name for m in pkgutil.iter_modules(parent.__path__)):
        for what, impair in importlib.import_module(f"{package}.{name}").offer(context).items():
            if what in offered:
                raise ImpairmentError(f"{package}: {what} is offered twice")
            offered[what] = impair
    return Impairments(offered)
