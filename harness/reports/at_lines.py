"""An AT dialogue for people's eyes: PIN, PUK and passwords struck out. Layer: reports, pure.

+CPIN, +CLCK and +CPWD (3GPP TS 27.007 clauses 8.3, 7.4, 7.5) carry passwords, +CGAUTH (clause 10.1.31) a user and a
password. The modem strikes them out of its own transcript in the same way; here a line is not yet at the modem.
"""

from __future__ import annotations

import re

from harness.reports.escape import escape

_CODE = re.compile(r"(\+C(?:PIN|LCK|PWD)\s*=)(?!\?)[^;\r]*", re.IGNORECASE)
_AUTH = re.compile(r"(\+CGAUTH\s*=)(?!\?)[^;\r]*", re.IGNORECASE)
_ASKS = re.compile(r"\+(?:CPIN)\s*=\s*$", re.IGNORECASE)


def strike(line: str) -> str:
    """Return a line fit to be shown."""
    return escape(_AUTH.sub(r"\1***", _CODE.sub(r"\1***", line)))


def asks_for_pin(line: str) -> bool:
    """Say whether a command line ends where a PIN would come: then it is asked for without showing it."""
    return _ASKS.search(line) is not None
