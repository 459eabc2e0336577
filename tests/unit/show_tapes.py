"""Recorded tapes for the tests of the live page."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from emulators.common.record import to_json
from harness.core.model import Observation, Plan, TapeEntry
from harness.core.timing import to_s
from harness.show.conclusion import Conclusion, conclude
from harness.show.judged import Judge
from harness.story.build import list_faults
from tests.corpus.recorded import FOLDER, Recorded, load_recorded

BROUGHT_UP, WRONG_PSK, POWER_CUT = (
    "brought_up-pier-kiosk", "wrong_psk-pier-kiosk", "power_cut_in_service-pier-kiosk",
)  # fmt: skip


@cache
def load_tape(name: str) -> Recorded:
    return load_recorded(FOLDER / "runs" / f"{name}.jsonl.gz")


class MemoryTape:
    """A tape that is whole and judged, as harness.show.reel reads one."""

    def __init__(self, plan: Plan, entries: Sequence[TapeEntry], faults: Sequence[str] = ()) -> None:
        self.plan, self.entries, self.judge = plan, tuple(entries), Judge(plan)
        for entry in self.entries:
            self.judge.feed(entry)
        heard = [e.observation.at_ns for e in entries if e.observation and e.observation.source == "router"]
        self.zero_ns: int | None = min(heard, default=entries[0].now_ns)
        self.end_ns: int | None = entries[-1].now_ns
        self.is_over = True
        took_s = to_s(entries[-1].now_ns - self.zero_ns)
        self.conclusion: Conclusion | None = conclude(
            self.judge.machine, {}, list_faults({"faults": list(faults)}), took_s
        )


@cache
def judge_tape(name: str) -> MemoryTape:
    run = load_tape(name)
    return MemoryTape(run.plan, run.tape, run.faults)


def write_run(folder: Path, name: str = BROUGHT_UP, extra: Sequence[Observation] = ()) -> Path:
    """Write a recorded run as a run folder. `extra`: seen at its very end, besides."""
    run = load_tape(name)
    last_ns = run.tape[-1].now_ns
    entries = [*run.tape, *(TapeEntry("observation", last_ns, o, None) for o in extra)]
    folder.mkdir(parents=True)
    (folder / "plan.json").write_text(json.dumps(to_json(run.plan)), encoding="utf-8")
    lines = (json.dumps(to_json(entry)) + "\n" for entry in entries)
    (folder / "tape.jsonl").write_text("".join(lines), encoding="utf-8")
    if run.faults:
        (folder / "faults.json").write_text(json.dumps({"faults": list(run.faults)}), encoding="utf-8")
    return folder
