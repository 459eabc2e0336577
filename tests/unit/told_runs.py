"""Stories of recorded runs, and run folders made of them: what the tests of reports share."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from emulators.common.record import to_json
from harness.core.model import Finding, Plan, TapeEntry
from harness.core.replay import replay
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import diagnose
from harness.story.build import build_story
from harness.story.model import CheckView, Story
from harness.timeline.merge import build_timeline
from tests.corpus.recorded import FOLDER, Recorded, load_recorded

HOSTILE = (
    "</details><script>alert(1)</script><!-- | `` ```x``` ~~~ ](http://evil.example) ![i](//evil.example) @everyone #1 "
    "!2 $3 %4 &amp; www.evil.example https://evil.example \x1b[2J\u202e\u2066 *b* _i_ \\ \\| :skull: GH-1\n# head\n"
    "- item\n| a | b |\n"
)


@cache
def load(name: str) -> Recorded:
    return load_recorded(FOLDER / "runs" / f"{name}.jsonl.gz")


def tell(
    plan: Plan,
    tape: Sequence[TapeEntry],
    *,
    facts: Mapping[str, Any] | None = None,
    faults: Mapping[str, Any] | None = None,
    is_diagnosed: bool = False,
) -> Story:
    """Return the story of plan and tape, as harness.telling makes it of a folder without logs."""
    machine = replay(plan, tape)
    timeline = build_timeline(plan, tape, {}, {}, 0, steps=machine.progress)
    diagnosis = diagnose(build_case(machine)) if is_diagnosed else None
    ended_ns = max(e.now_ns for e in tape)
    return build_story(
        "run", machine, timeline, ended_ns=ended_ns, facts=facts or {}, faults=faults, diagnosis=diagnosis
    )


@cache
def tell_recorded(name: str) -> Story:
    run = load(name)
    return tell(run.plan, run.tape, is_diagnosed=True)


def write_folder(folder: Path, plan: Plan, tape: Sequence[TapeEntry]) -> Path:
    """Write the folder of a run that was killed: no verdict.json."""
    folder.mkdir(parents=True)
    (folder / "plan.json").write_text(json.dumps(to_json(plan)))
    (folder / "tape.jsonl").write_text("".join(json.dumps(to_json(e)) + "\n" for e in tape))
    return folder


def make_hostile(story: Story, text: str = HOSTILE) -> Story:
    """Return a story in which every text that is not ours is that one."""
    stages = tuple(
        replace(s, summary=text, findings=(*(_spoil(f, text) for f in s.findings), _fail(text))) for s in story.stages
    )
    checks = tuple(_spoil_check(c, text) for c in story.checks)
    unproven = tuple(replace(u, what=text, title=text, why=f"{n} {text}") for n, u in enumerate(story.unproven))
    causes = tuple(replace(c, title=text, grounds=((text, (1, 2)),)) for c in story.causes)
    return replace(
        story, run=text, profile=text, site=text, headline=text, why=(text, text), unproven=unproven, stages=stages,
        checks=checks, causes=causes, facts={**story.facts, "profile_digest": text}, notes=(text,),
    )  # fmt: skip


def _spoil_check(check: CheckView, text: str) -> CheckView:
    return replace(check, findings=tuple(_spoil(f, text) for f in check.findings))


def _spoil(finding: Finding, text: str) -> Finding:
    return replace(finding, claim=text, expected=text, seen=text)


def _fail(text: str) -> Finding:
    return Finding(text, "FAIL", text, text, text, (3,))
