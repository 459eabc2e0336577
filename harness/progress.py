"""What a person sees while a proof runs: lines as stages settle, and on a terminal a live line for the one under way.

Layer: front end. In a CI log or a pipe there is no live line, only plain text; nothing depends on colour.
"""

from __future__ import annotations

from collections.abc import Callable
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.live import Live
from rich.text import Text

from harness.core.machine import RunMachine
from harness.core.model import StageResult
from harness.core.verdict import find_worst
from harness.reports.text import check_lines, explain_stage, stage_line
from harness.trial.trial import Trial

_PHASES: dict[str, str] = {
    "lasting": "waiting for the fault to show itself",
    "look": "is the branch in service while the cause lasts?",
    "mending": "the cause is taken away",
    "recovery": "does the branch come back by itself?",
    "after": "is the device safe?",
}
_STYLES = {"PASS": "", "FAIL": "bold red", "INCONCLUSIVE": "yellow", "NOT_APPLICABLE": "dim"}


class Progress:
    """Prints each stage and check once, when it is settled. A context manager, for the live line."""

    def __init__(self, console: Console, now_ns: Callable[[], int]) -> None:
        self._console, self._now_ns = console, now_ns
        self._printed: set[str] = set()
        self.scrub: Callable[[str], str] = str
        """Strikes secrets out of what is printed: a daemon may have said one. Set once the run's secrets are known."""
        self._live = Live(console=console, refresh_per_second=8, transient=True) if console.is_terminal else None

    def __enter__(self) -> Self:
        if self._live:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live:
            self._live.update(Text(""))
            self._live.stop()

    def say(self, text: str, style: str = "") -> None:
        """Print one line above the live one."""
        self._console.print(Text(self.scrub(text), style=style), soft_wrap=True)

    def show(self, text: str) -> None:
        """Set the live line; nothing where there is none."""
        if self._live:
            self._live.update(Text(text, style="dim"))

    def on_progress(self, machine: RunMachine) -> None:
        """Print what has settled since the last call, and show what is under way."""
        for stage in machine.results():
            if machine.is_settled(stage.stage) and stage.stage not in self._printed:
                self._printed.add(stage.stage)
                self._print_stage(stage)
        for finding in machine.findings():
            if finding.check not in self._printed and machine.is_settled(finding.check):
                self._print_check(machine, finding.check)
        running = machine.running
        if running is None:
            self.show("")
        else:
            self.show(
                f"  ...   {running.name:<13} {(self._now_ns() - running.since_ns) / 1e9:.1f} s of {running.budget_s:g}"
            )

    def on_trial(self, trial: Trial) -> None:
        """Show where a trial is, once its bring-up is over."""
        if trial.machine.done and trial.phase in _PHASES:
            self.show(f"  ...   {_PHASES[trial.phase]}")

    def _print_stage(self, stage: StageResult) -> None:
        self.say(stage_line(stage), _STYLES[stage.outcome])
        if stage.outcome not in ("PASS", "NOT_APPLICABLE") and (text := explain_stage(stage)):
            self.say(text)

    def _print_check(self, machine: RunMachine, name: str) -> None:
        self._printed.add(name)
        findings = [f for f in machine.findings() if f.check == name]
        self.say(check_lines(name, findings), _STYLES[find_worst(f.outcome for f in findings)])
