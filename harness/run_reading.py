"""A run folder read leniently, also one from elsewhere or of a run that was killed. Layer: files.

The strict reader, for replay and verdicts, is run_folder.load_run. Here whatever is there is read, and what is not, or
is cut, is noted for whoever looks. Not here: what it means (timeline/, compare).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from emulators.common.record import RecordError, from_json
from harness.core.model import Plan, TapeEntry
from harness.errors import InputError, Problem
from harness.run_folder import FAULTS

TAPE, PLAN, VERDICT = "tape.jsonl", "plan.json", "verdict.json"
UNKNOWN: Mapping[str, Any] = {"faults": ["unknown"]}
"""What was put upon a run whose faults.json cannot be read: something."""


@dataclass(frozen=True, slots=True)
class ReadRun:
    """`plan` None: none that this version can read. `plan_json`, `verdict`: as they stand in the files, or empty."""

    path: Path
    plan: Plan | None
    plan_json: Mapping[str, Any]
    verdict: Mapping[str, Any]
    tape: tuple[TapeEntry, ...]
    notes: tuple[str, ...] = field(default=())

    def read_logs(self) -> dict[str, str]:
        """Return each node's log. Octets that are no UTF-8 become visible marks."""
        files = sorted((self.path / "nodes").glob("*.log"))
        return {f.stem: f.read_bytes().decode("utf-8", "backslashreplace") for f in files}

    def read_captures(self) -> dict[str, bytes]:
        """Return each capture by its name in the folder."""
        return {f"captures/{f.name}": f.read_bytes() for f in sorted((self.path / "captures").glob("*.pcap"))}


def read_run(path: Path) -> ReadRun:
    """Read a run's folder. Raises: InputError where it is none, or its tape is broken before its last line."""
    if not path.is_dir():
        raise InputError((Problem(str(path), 0, 0, "RUN", "expected a run's folder, saw no such folder"),))
    notes: list[str] = []
    tape = _read_tape(path / TAPE, notes)
    plan_json = _read_json(path / PLAN, notes)
    verdict = _read_json(path / VERDICT, notes)
    plan: Plan | None = None
    try:
        plan = from_json(Plan, plan_json) if plan_json else None
    except RecordError as error:
        notes.append(f"{PLAN}: of another version of the bench, so no stages are shown ({error})")
    return ReadRun(path, plan, plan_json, verdict, tape, tuple(notes))


def read_faults(path: Path) -> Mapping[str, Any]:
    """Return what was put upon the run of a folder (faults.json): empty for nothing, `UNKNOWN` where that is cut."""
    try:
        found = json.loads((path / FAULTS).read_bytes())
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError):
        return UNKNOWN
    return found if isinstance(found, dict) else UNKNOWN


def _read_tape(path: Path, notes: list[str]) -> tuple[TapeEntry, ...]:
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as error:
        text = f"expected a run's tape, saw: {error.strerror}"
        raise InputError((Problem(str(path), 0, 0, "", text),)) from error
    last = len(lines) - 1  # what follows the last LF: nothing, where the tape is whole
    entries = []
    for number, line in enumerate(lines):
        if not line.strip():
            continue
        try:
            entries.append(from_json(TapeEntry, json.loads(line)))
        except (ValueError, RecursionError) as error:  # RecordError is a ValueError
            if number == last:
                notes.append(f"{TAPE}: its last line is cut: the run was killed while it wrote")
                break
            problem = Problem(str(path), number + 1, 1, "", f"expected one JSON TapeEntry: {error}")
            raise InputError((problem,)) from error
    return tuple(entries)


def _read_json(path: Path, notes: list[str]) -> dict[str, Any]:
    try:
        found = json.loads(path.read_bytes())
    except OSError:
        notes.append(f"{path.name}: not there" + (": the run did not come to its end" if path.name == VERDICT else ""))
        return {}
    except ValueError:
        notes.append(f"{path.name}: cut, or not JSON")
        return {}
    return found if isinstance(found, dict) else {}
