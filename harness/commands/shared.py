"""What several commands use. Layer: front end."""

from __future__ import annotations

import sys

from harness.errors import Problem
from harness.reports.escape import escape

EXITS = "exit: 0 proven, 1 not proven, 2 bad input, 3 lab or engine broke, 4 our bug, 130 interrupted"


def warn(problem: Problem) -> None:
    """Say what is odd but no error."""
    sys.stderr.write(f"branchproof: warning: {escape(str(problem))}\n")
