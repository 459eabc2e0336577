"""A run folder in a small form, and back. Pure but for `load_corpus` and `load_recorded`.

    plans/DIGEST.json.gz    a plan, shared by the runs that were made with it
    runs/NAME.jsonl.gz      first line {"faults": [TEXT...], "plan": DIGEST}; then the tape, one entry a line:
                            ["s", now] start, ["t", now] tick,
                            ["o", now, at, wall less at, source, part, kind, seq, data] observation

Times are whole microseconds from the tape's start (a tape's own nanoseconds say no more of anything here); when the
harness received an observation is taken to be when it was fed. What was put upon the run is in the first line only.
"""

from __future__ import annotations

import gzip
import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emulators.common.record import from_json, to_json
from harness.core.model import Observation, Plan, TapeEntry
from harness.core.replay import replay
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import Diagnosis, diagnose

FOLDER = Path(__file__).parent
START_US = 1_000_000_000
"""Where a recorded tape begins: a machine takes 0 for never."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """One run. `faults`: what was put upon it, as a command line has it; empty for a run without."""

    name: str
    faults: tuple[str, ...]
    plan: Plan
    tape: tuple[TapeEntry, ...]

    def diagnose(self) -> Diagnosis:
        """Return what the rule base makes of it."""
        return diagnose(build_case(replay(self.plan, self.tape)))


# ---------------------------------------------------------------- to the small form


def render_recorded(faults: Sequence[str], digest: str, tape: Sequence[TapeEntry]) -> str:
    """Return a run's lines."""
    base_us = tape[0].now_ns // 1000
    lines: list[Any] = [{"faults": list(faults), "plan": digest}]
    for entry in tape:
        now_us = -(-entry.now_ns // 1000) - base_us
        seen = entry.observation
        if seen is None:
            lines.append([entry.kind[0], now_us])
            continue
        wall_us = (seen.wall_ns - seen.at_ns) // 1000 + base_us
        told = [seen.source, seen.part, seen.kind, seen.seq, to_json(seen.data)]
        lines.append(["o", now_us, seen.at_ns // 1000 - base_us, wall_us, *told])
    return "".join(json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n" for line in lines)


def render_plan(plan: Plan) -> tuple[str, str]:
    """Return a plan as JSON, and its digest."""
    text = json.dumps(to_json(plan), ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return text, hashlib.sha256(text.encode()).hexdigest()[:12]


def pack(text: str) -> bytes:
    """Return a text compressed, the same bytes for the same text."""
    return gzip.compress(text.encode(), 9, mtime=0)


# ---------------------------------------------------------------- and back


def parse_entry(line: Sequence[Any]) -> TapeEntry:
    """Return an entry of the tape."""
    kind, now_us, *told = line
    now_ns = (now_us + START_US) * 1000
    if kind == "s":
        return TapeEntry("start", now_ns)
    if kind == "t":
        return TapeEntry("tick", now_ns)
    at_us, wall_us, source, part, name, seq, data = told
    at_ns = (at_us + START_US) * 1000
    wall_ns = (at_us + wall_us) * 1000
    return TapeEntry("observation", now_ns, Observation(source, part, name, at_ns, now_ns, wall_ns, seq, data))


def load_recorded(file: Path) -> Recorded:
    """Read one run."""
    head, *lines = gzip.decompress(file.read_bytes()).decode().splitlines()
    facts = json.loads(head)
    plan = gzip.decompress((file.parents[1] / "plans" / f"{facts['plan']}.json.gz").read_bytes())
    tape = tuple(parse_entry(json.loads(line)) for line in lines)
    return Recorded(file.name.partition(".")[0], tuple(facts["faults"]), from_json(Plan, json.loads(plan)), tape)


def list_files(folder: Path = FOLDER) -> list[Path]:
    """Return the runs' files, in order."""
    return sorted((folder / "runs").glob("*.jsonl.gz"))


def load_corpus(folder: Path = FOLDER) -> Iterator[Recorded]:
    """Read all runs."""
    return (load_recorded(file) for file in list_files(folder))
