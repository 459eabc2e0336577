"""A configuration document as it comes: read, and held against what this release knows. Layer: router firmware, pure.

A document that speaks of what this release does not know is refused whole: a part left out in silence may be the one
that keeps somebody out. Not here: whether what is known makes sense (check.py).
"""

from __future__ import annotations

import json
from typing import Any, Final

from emulators.common.device_config import DeviceConfig, parse_config
from emulators.common.record import UnknownKeyError

from .base import ApplyError
from .check import check_config

FORMAT: Final = 1
"""The one that `DeviceConfig` is."""


def read_document(document: bytes) -> DeviceConfig:
    """Return the configuration. Raises: ApplyError."""
    try:
        _check_format(json.loads(document.decode("utf-8")))
        config = parse_config(document)
    except UnknownKeyError as error:
        reason = f"needs a newer release: this one does not know {error.seen!r:.80}"
        raise ApplyError(error.path, reason, "newer_release") from error
    except (ValueError, UnicodeDecodeError) as error:
        raise ApplyError(getattr(error, "path", "document"), str(error)) from error
    check_config(config)
    return config


def _check_format(document: Any) -> None:
    """A later format may mean anything by the same words: nothing else of it is read."""
    given = document.get("format") if isinstance(document, dict) else None
    if isinstance(given, int) and not isinstance(given, bool) and given > FORMAT:
        reason = f"needs a newer release: the document is of format {given}, this one knows {FORMAT}"
        raise ApplyError("format", reason, "newer_release")
