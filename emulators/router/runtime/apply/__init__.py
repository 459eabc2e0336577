"""Applying a configuration to the router, as a transaction: `Applier`. Layer: router firmware."""

from .applier import Applier
from .base import ApplyError

__all__ = ["Applier", "ApplyError"]
