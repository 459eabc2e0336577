"""A tape read while it is being written, and judged as it comes. Layer: show, I/O, one thread.

The same for a saved tape and a growing one: what is there is read line by line; at its end a saved tape is over, and of
a growing one more is waited for. Lines of a growing tape can be shown as soon as they are whole; they are judged by the
same thread, one after the other, so a stage's state may be a little behind the messages. Those of a saved one are read
as they are judged: it can be shown long before all of it is.

Law: one writer (the thread), any readers. `entries` only grows, and a `Judge` keeps what it has said.
"""

from __future__ import annotations

import json
import threading
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import IO

from emulators.common.record import RecordError, from_json
from harness.core.model import Plan, TapeEntry
from harness.core.timing import to_s
from harness.errors import InputError, Problem
from harness.run_folder import load_logs
from harness.show.conclusion import Conclusion, conclude
from harness.show.judged import Judge
from harness.story.build import list_faults

POLL_S = 0.02
"""How often a growing file is looked at: a tenth of how stale the picture may be."""


class Tape:
    """One run folder's tape, followed. `read_faults`: what was put upon the run, as in faults.json."""

    def __init__(
        self, path: Path, plan: Plan, *, is_growing: bool, read_faults: Callable[[], Mapping[str, object]]
    ) -> None:
        self.plan, self.path = plan, path
        self.entries: list[TapeEntry] = []
        self.judge = Judge(plan)
        self.conclusion: Conclusion | None = None
        """What the run came to: once the machine is done, or the tape is over."""
        self.is_over = False
        """Whether all of it was read and judged, and no more will come."""
        self.error: Exception | None = None
        self._is_growing, self._read_faults = is_growing, read_faults
        self._ended, self._stopped = threading.Event(), threading.Event()
        self._zero_ns: int | None = None
        self.end_ns: int | None = None
        """When the last entry of a saved tape was fed; known before all of it is read."""
        self._lines: deque[bytes] = deque()
        self._rest = b""
        self._place = 0
        self._thread = threading.Thread(target=self._run, name="tape", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def end(self) -> None:
        """Say that no more will be written."""
        self._ended.set()

    def close(self) -> None:
        """Stop reading, and join the thread."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def zero_ns(self) -> int | None:
        """Power-on, as far as is known: the console's first word (as in timeline.merge), else the tape's beginning."""
        return self._zero_ns if self._zero_ns is not None else (self.entries[0].now_ns if self.entries else None)

    @property
    def heard_router(self) -> bool:
        return self._zero_ns is not None

    def _run(self) -> None:
        try:
            with (self.path / "tape.jsonl").open("rb") as file:
                self._follow(file)
            self.is_over = True
        except Exception as error:  # whatever it is: a thread's error is kept for whoever looks at the picture
            self.error = error

    def _follow(self, file: IO[bytes]) -> None:
        while not self._stopped.is_set():
            is_last = self._ended.is_set() or not self._is_growing
            self._read(file)
            while self._lines and (self._is_growing or self.judge.count == len(self.entries)):
                self._add(self._lines.popleft())
            if self.judge.count < len(self.entries):
                self._judge_next()
            elif is_last:
                if self.conclusion is None or self._is_growing:
                    self._conclude()
                return
            else:
                self._stopped.wait(POLL_S)

    def _read(self, file: IO[bytes]) -> None:
        """Take the lines that are whole by now. One that is cut at a tape's end was being written as the run died."""
        new = file.read()
        if new:
            *lines, self._rest = (self._rest + new).split(b"\n")
            self._lines.extend(lines)
            if lines and not self._is_growing:
                self.end_ns = self._parse(lines[-1], len(lines)).now_ns

    def _parse(self, line: bytes, place: int) -> TapeEntry:
        try:
            return from_json(TapeEntry, json.loads(line))
        except (ValueError, RecordError, RecursionError) as error:
            text = f"expected one JSON TapeEntry: {error}"
            raise InputError((Problem(str(self.path / "tape.jsonl"), place, 1, "", text),)) from error

    def _add(self, line: bytes) -> None:
        self._place += 1
        entry = self._parse(line, self._place)
        seen = entry.observation
        if seen is not None and seen.source == "router":
            self._zero_ns = seen.at_ns if self._zero_ns is None else min(self._zero_ns, seen.at_ns)
        self.entries.append(entry)

    def _judge_next(self) -> None:
        was_done = self.judge.machine.done
        self.judge.feed(self.entries[self.judge.count])
        if self.judge.machine.done and not was_done:
            self._conclude()

    def _conclude(self) -> None:
        """Draw the conclusion, again once the logs are there: a diagnosis may read them."""
        machine = self.judge.machine
        faults = list_faults(self._read_faults())
        logs = load_logs(self.path) if not self._is_growing or self._ended.is_set() else {}
        last_ns = self.entries[-1].now_ns if self.entries else 0
        self.conclusion = conclude(machine, logs, faults, to_s(last_ns - (self.zero_ns or 0)))
