"""The subjects of the configuration, one module each, found by themselves. Layer: router firmware."""

from __future__ import annotations

import importlib
import pkgutil

from ..base import Part


def discover_parts() -> tuple[Part, ...]:
    """Return the `PART` of every module here, in the order of waves and names."""
    modules = (importlib.import_module(f"{__name__}.{item.name}") for item in pkgutil.iter_modules(__path__))
    return tuple(sorted((module.PART for module in modules), key=lambda part: (part.wave, part.name)))
