"""What the run machine makes of a tape, entry by entry, kept so that any instant can be looked up. Layer: show, pure.

The machine is fed every entry once, in order; where its view changed the view is kept with the number of entries that
it rests on. So a picture that goes back and forth needs no second judging, and shows what the run itself knew by then.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from harness.core.machine import RunMachine
from harness.core.model import Finding, Plan, StageResult, TapeEntry
from harness.core.registry import load_checks, load_stages
from harness.core.steps import Progress
from harness.core.verdict import find_worst
from harness.runner import feed
from harness.show.messages import show_text
from harness.show.scene import CheckScene, StageScene


@dataclass(frozen=True, slots=True)
class Judged:
    """The machine's view of one instant. `stages`: instants of the tape, placed by `place_stages`."""

    stages: tuple[Progress, ...] = ()
    summaries: tuple[str, ...] = ()
    checks: tuple[CheckScene, ...] = ()
    running: str = ""
    """Title of the step under way, or empty."""
    done: bool = False

    @property
    def states(self) -> tuple[str, ...]:
        return tuple(stage.state for stage in self.stages)


class Judge:
    """Feed it every entry of a tape; look up what was known after so many of them."""

    def __init__(self, plan: Plan) -> None:
        self.machine = RunMachine(plan, load_stages(), load_checks())
        self.count = 0
        """How many entries were fed."""
        self._titles = {s.name: s.title for s in load_stages()} | {c.name: c.title for c in load_checks()}
        self._views = [self._look()]
        self._from = [0]
        self._steps: list[int] = []
        """After how many entries a stage had come to its end."""

    def feed(self, entry: TapeEntry) -> None:
        """Take the next entry."""
        feed(self.machine, entry)
        view, last = self._look(), self._views[-1]
        if view != last:
            self._views.append(view)
            self._from.append(self.count + 1)
            if _count_ended(view) != _count_ended(last):
                self._steps.append(self.count + 1)
        self.count += 1

    def find(self, count: int) -> Judged:
        """Return what was known after so many entries; of entries that were not fed yet, what is known by now."""
        return self._views[bisect_right(self._from, count) - 1]

    def find_next_step(self, count: int) -> int | None:
        """Return after how many entries, more than `count`, the next stage has come to its end; None: not known yet."""
        place = bisect_right(self._steps, count)
        return self._steps[place] if place < len(self._steps) else None

    def _look(self) -> Judged:
        machine = self.machine
        results = {r.stage: r for r in machine.results()}
        running = machine.running
        return Judged(
            machine.progress,
            tuple(_tell(machine, results[p.name]) for p in machine.progress),
            self._look_at_checks(),
            "" if running is None else self._titles.get(running.name, running.name),
            machine.done,
        )

    def _look_at_checks(self) -> tuple[CheckScene, ...]:
        findings: dict[str, list[Finding]] = {}
        for finding in self.machine.findings():
            findings.setdefault(finding.check, []).append(finding)
        return tuple(
            _show_check(p, findings.get(p.name, []) if self.machine.is_settled(p.name) else [])
            for p in self.machine.check_progress
        )


def place_stages(view: Judged, zero_ns: int) -> tuple[StageScene, ...]:
    """Return the stages with their instants from power-on."""
    return tuple(
        StageScene(
            p.name,
            show_text(p.title),
            p.state,
            None if p.started_ns is None else max(0.0, (p.started_ns - zero_ns) / 1e9),
            p.took_s,
            p.budget_s,
            summary,
        )
        for p, summary in zip(view.stages, view.summaries, strict=True)
    )


def _tell(machine: RunMachine, result: StageResult) -> str:
    return show_text(result.summary) if machine.is_settled(result.stage) else ""


def _show_check(progress: Progress, findings: list[Finding]) -> CheckScene:
    held = sum(f.outcome == "PASS" for f in findings)
    outcome = find_worst(f.outcome for f in findings) if findings else None
    return CheckScene(progress.name, show_text(progress.title), outcome, held, len(findings))


def _count_ended(view: Judged) -> int:
    return sum(state not in ("waiting", "running") for state in view.states)
