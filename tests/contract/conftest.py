"""Lets the conformance suite use the small real nodes of tests/lab."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "lab"))
