"""Applying a configuration to the router, as a transaction: `Applier`. Layer: stand-in (router firmware, full release)."""

from .applier import Applier
from .base import ApplyError

__all__ = ["Applier", "ApplyError"]
