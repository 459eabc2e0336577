"""A run's folder: the only writer and reader of evidence. Layer: files only.

    plan.json        the plan (secrets as references)
    tape.jsonl       every input to the machine, one JSON line each, observations numbered
    at.txt           the modem's AT transcript, offsets in seconds from power-on
    nodes/NODE.log   what each stand-in and its daemons said
    captures/*.pcap  packets, by node and link
    verdict.json     stages, checks, findings, digests and versions
    junit.xml        the same for a CI
    faults.json      with faults: what was put upon the run, and what came of it

Every byte passes `Scrubber` first: a secret's value is struck out, in its own length so that captures stay readable,
even where a daemon printed it. Not here: what the evidence means.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any

from emulators.common.record import RecordError, from_json, to_json
from harness.core.model import Observation, Plan, TapeEntry, Verdict
from harness.errors import InputError, Problem

FAULTS = "faults.json"
SHORTEST_SCRUBBED = 6
"""Shorter values (a SIM PIN) would strike out innocent digits: those are struck out where they arise, in the modem."""


class Scrubber:
    """Strikes secret values out of bytes, keeping the length."""

    def __init__(self, secrets: Iterable[str]) -> None:
        forms: set[bytes] = set()
        for value in secrets:
            if len(value) >= SHORTEST_SCRUBBED:
                quoted = (json.dumps(value)[1:-1], json.dumps(value, ensure_ascii=False)[1:-1])
                forms |= {value.encode(), *(form.encode() for form in quoted)}
        self._forms = sorted(forms, key=len, reverse=True)

    def scrub(self, content: bytes) -> bytes:
        """Return the content with every secret replaced by asterisks of the same length."""
        for form in self._forms:
            if form in content:
                content = content.replace(form, b"*" * len(form))
        return content


class Tape:
    """One tape being written, flushed line by line, so that a killed run leaves what it knew."""

    def __init__(self, path: Path, scrubber: Scrubber) -> None:
        self._scrubber = scrubber
        self._file: IO[bytes] = path.open("wb", buffering=0)
        self.observations: list[Observation] = []

    def write(self, entry: TapeEntry) -> None:
        """Append one entry."""
        seen = entry.observation
        if seen is not None:
            entry = replace(entry, number=len(self.observations))
            self.observations.append(seen)
        line = json.dumps(to_json(entry), ensure_ascii=False, separators=(",", ":")).encode()
        self._file.write(self._scrubber.scrub(line) + b"\n")

    def close(self) -> None:
        self._file.close()


class RunFolder:
    """Writes one run's folder. Its own tape, tape.jsonl, is the one that the verdict is drawn from."""

    def __init__(self, path: Path, plan: Plan, secrets: Mapping[str, str]) -> None:
        self.path = path
        self._scrubber = Scrubber(secrets.values())
        path.mkdir(parents=True, exist_ok=False)
        self.save("plan.json", _dump(to_json(plan)))
        self._tape = self.open_tape("tape.jsonl")

    def open_tape(self, name: str) -> Tape:
        """Return a tape in this folder; whoever opens another than the folder's own closes it."""
        return Tape(self.path / name, self._scrubber)

    def write(self, entry: TapeEntry) -> None:
        """Append one entry to the folder's own tape."""
        self._tape.write(entry)

    def save(self, name: str, content: bytes) -> None:
        """Write one file of the folder, scrubbed. `name` is relative."""
        target = self.path / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(self._scrubber.scrub(content))

    def save_verdict(self, verdict: Verdict, junit: str) -> None:
        """Write verdict, JUnit file and AT transcript."""
        self.save("verdict.json", _dump(to_json(verdict)))
        self.save("junit.xml", junit.encode())
        self.save("at.txt", render_at_transcript(self._tape.observations).encode())

    def save_outcome(self, outcome: Any) -> None:
        """Write what was put upon the run, and what came of it (a TrialOutcome as JSON). No diagnosis reads it."""
        self.save(FAULTS, _dump(outcome))

    def close(self) -> None:
        self._tape.close()


@dataclass(frozen=True, slots=True)
class SavedRun:
    plan: Plan
    tape: tuple[TapeEntry, ...]


def load_run(path: Path) -> SavedRun:
    """Read plan and tape of a run folder. Raises: InputError naming the file and line."""
    plan_file = path / "plan.json"
    plan = _read(plan_file, Plan, 0, plan_file.read_bytes() if plan_file.is_file() else b"")
    return SavedRun(plan, tuple(_read_tape(path / "tape.jsonl")))


def load_logs(path: Path) -> dict[str, str]:
    """Read what each node's daemons said, by node; empty where the folder has no logs. Broken bytes are replaced."""
    files = sorted((path / "nodes").glob("*.log"))
    return {file.stem: file.read_text(encoding="utf-8", errors="replace") for file in files}


def load_verdict(path: Path) -> tuple[Plan, Verdict]:
    """Read plan and verdict of a run folder. Raises: InputError naming the file."""
    found = []
    for name, cls in (("plan.json", Plan), ("verdict.json", Verdict)):
        file = path / name
        if not file.is_file():
            raise InputError((Problem(str(file), 0, 0, "", "expected a run's folder, saw no such file"),))
        found.append(_read(file, cls, 0, file.read_bytes()))
    return found[0], found[1]


def _read_tape(path: Path) -> Iterator[TapeEntry]:
    if not path.is_file():
        raise InputError((Problem(str(path), 0, 0, "", "expected a run's tape, saw no such file"),))
    with path.open("rb") as lines:
        for number, line in enumerate(lines, 1):
            yield _read(path, TapeEntry, number, line)


def _read(path: Path, cls: type[Any], number: int, text: bytes) -> Any:
    try:
        return from_json(cls, json.loads(text))
    except (ValueError, RecordError) as error:
        problem = Problem(str(path), number, 1 if number else 0, "", f"expected one JSON {cls.__name__}: {error}")
        raise InputError((problem,)) from error


def render_at_transcript(observations: Iterable[Observation]) -> str:
    """Return the modem's dialogue: `>` what the router said, `<` what the modem answered; seconds from power-on."""
    lines: list[str] = []
    start_ns: int | None = None
    for seen in observations:
        start_ns = seen.at_ns if start_ns is None and seen.source == "router" else start_ns
        mark = {"at.command": ">", "at.response": "<"}.get(seen.kind)
        if mark and start_ns is not None:
            lines.append(f"{(seen.at_ns - start_ns) / 1e9:9.3f} {mark} {seen.data.get('line', '')}")
    return "\n".join(lines) + "\n" if lines else ""


def _dump(value: Any) -> bytes:
    return json.dumps(value, indent=2, ensure_ascii=False, sort_keys=True).encode() + b"\n"
