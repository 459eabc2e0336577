"""The composition root: real clock, real lab, run folder; nothing else builds them. Layer: top, below the front ends.

`Session` is one proof of one site, in the steps that a front end needs: the command line runs it to the end at once,
the pytest plugin stage by stage. Whatever happens, `close` takes the lab down and writes what is known.
"""

from __future__ import annotations

import secrets as random
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from harness.core.faults import Applied
from harness.core.machine import RunMachine
from harness.core.model import Plan, Verdict
from harness.core.registry import load_checks, load_invariants, load_stages
from harness.core.verdict import combine
from harness.errors import EngineError, InputError, LabError, Problem
from harness.going_on import GoingOn
from harness.lab.docker_lab import DockerLab
from harness.lab.kept import LAB_FILE, render_lab_file
from harness.lab.sweep import sweep
from harness.reports.junit import render_junit
from harness.run_folder import RunFolder, Scrubber
from harness.runner import Loop, feed
from harness.trial.prelude import Prelude
from harness.trial.trial import Trial

Keep = Literal["on-fail", "always", "never"]


PRELUDE = "before.jsonl"
"""Tape of what was done before power was asked for."""
_PACES = {"field": "the hardware class's own waits", "fast": "hardware waits compressed, no protocol timer"}


class MonotonicClock:
    """CLOCK_MONOTONIC of this machine."""

    def now_ns(self) -> int:
        return time.monotonic_ns()


@dataclass(frozen=True, slots=True)
class Options:
    """`whole`: all of the lab is up before the router has power, and not what it meets first only. Slower by itself;
    where many labs share the machine nothing else is fair to the branch."""

    out: Path
    keep: Keep = "never"
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Proof:
    """What a session came to. `kept` names the run whose lab was left up, or is None."""

    verdict: Verdict
    folder: Path
    took_s: float
    kept: str | None


def _ignore(machine: RunMachine) -> None:
    """The progress listener of a session that nobody watches."""


def _ignore_trial(trial: Trial) -> None:
    """The progress listener of a trial that nobody watches."""


class Session:
    """One site's proof. Use as a context manager: the lab goes down on every way out."""

    def __init__(
        self,
        plan: Plan,
        secrets: Mapping[str, str],
        options: Options,
        on_progress: Callable[[RunMachine], None] = _ignore,
        *,
        applied: Sequence[Applied] = (),
        on_trial: Callable[[Trial], None] = _ignore_trial,
        going_on: GoingOn | None = None,
    ) -> None:
        self._going_on = going_on
        self.run_id = going_on.run_id if going_on else random.token_hex(3)
        self.machine = RunMachine(plan, load_stages(), load_checks())
        self._plan, self._options, self.clock = plan, options, MonotonicClock()
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        name = f"{plan.branch.profile}-{plan.branch.site}-{stamp}-{self.run_id}"
        self._unswept = ""
        self.lab = going_on.lab if going_on else DockerLab(plan, secrets, self.run_id, whole=options.whole)
        self.hidden = {**secrets, **self.lab.made_secrets}
        """Secrets by reference: what is struck out of all that is kept."""
        self._scrubber = Scrubber(self.hidden.values())
        try:
            self.folder = RunFolder(options.out / name, plan, self.hidden)
        except OSError as error:
            text = f"expected a folder that can be written to, saw: {error.strerror or error}"
            raise InputError((Problem(str(options.out), 0, 0, "--out", text),)) from error
        self.folder.save(LAB_FILE, render_lab_file(self.run_id))
        self.lab.folder = going_on.folder if going_on else str(self.folder.path.resolve())
        self._on_progress, self._on_trial, self._applied = on_progress, on_trial, tuple(applied)
        self.trial: Trial | None = None
        """The trial of the faults that were applied, once the run began; None without any."""
        self._loop: Loop[RunMachine] = Loop(self.machine, self.lab, self.clock, self.folder, on_progress)
        self._trial_loop: Loop[Trial] | None = None
        self._times: dict[str, float] = {}
        self._began_ns = self.clock.now_ns()
        self._proof: Proof | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def scrub(self, text: str) -> str:
        """Return a text that people will see, secrets struck out: a daemon may have said one."""
        return self._scrubber.scrub(text.encode("utf-8", "replace")).decode("utf-8", "replace")

    @contextmanager
    def _scrubbed(self) -> Iterator[None]:
        """A lab's error quotes the log of the node that broke: strike secrets out of it, too."""
        try:
            yield
        except LabError as error:
            words = ("expected", "seen", "where", "hint")
            raise type(error)(**{word: self.scrub(getattr(error, word)) for word in words}) from None

    def start(self) -> float:
        """Sweep what dead runs left, build the lab. Returns the seconds it took. Raises: LabError."""
        began_ns = self.clock.now_ns()
        with self._scrubbed():
            if self._going_on is not None:
                self._join(self._going_on)
            else:
                self._sweep()
                self.lab.start()
        self._times["lab_up_s"] = (self.clock.now_ns() - began_ns) / 1e9
        return self._times["lab_up_s"]

    def _join(self, going_on: GoingOn) -> None:
        """Take up the lab of the run before; the machine, and the tape, begin with what was seen in that run."""
        with closing(self.folder.open_tape(PRELUDE)) as tape:
            along = going_on.join(tape, self.clock)
        for entry in along:
            self.folder.write(entry)
            feed(self.machine, entry)

    def _sweep(self) -> None:
        """Clear up after dead runs. What will not go is no reason not to prove this branch: it is only noted."""
        try:
            sweep(attempts=2)  # what needs longer is left to the next one
        except EngineError:
            raise
        except LabError as error:
            self._unswept = error.seen

    def run(self, until: Callable[[RunMachine], bool] = lambda machine: False) -> None:
        """Run the machine on. Raises: LabError."""
        began_ns = self.clock.now_ns()
        with self._scrubbed():
            if self._applied:
                self._run_trial(until)
            else:
                self._loop.run(until)
        self._times["loop_s"] = self._times.get("loop_s", 0.0) + (self.clock.now_ns() - began_ns) / 1e9

    def _run_trial(self, until: Callable[[RunMachine], bool]) -> None:
        if self._trial_loop is None:
            self.trial = self._begin_trial()
            self._trial_loop = Loop(self.trial, self.lab, self.clock, self.folder, self._tell)
        self._trial_loop.run(lambda trial: until(trial.machine))

    def _tell(self, trial: Trial) -> None:
        self._on_progress(trial.machine)
        self._on_trial(trial)

    def _begin_trial(self) -> Trial:
        """Have those faults set in that do so before power: on a tape of their own."""
        prelude = Prelude(self._plan, self._applied)
        with closing(self.folder.open_tape(PRELUDE)) as tape:
            Loop(prelude, self.lab, self.clock, tape, lambda machine: None).run()
        return Trial(self._plan, prelude, self.machine, load_invariants())

    def conclude(self) -> Proof:
        """Judge, gather captures and logs, take the lab down (or keep it), write the folder."""
        if self._proof is not None:
            return self._proof
        with self._scrubbed():
            self._gather()
            self._check_whole()
        self.lab.folder = str(self.folder.path.resolve())
        verdict = self._judge()
        keep = self._options.keep == "always" or (self._options.keep == "on-fail" and not verdict.proven)
        with self._scrubbed():
            self._take_down(keep)
        verdict = self._judge()
        branch = self._plan.branch
        self.folder.save_verdict(verdict, render_junit(verdict, f"{branch.profile} / {branch.site}"))
        took_s = (self.clock.now_ns() - self._began_ns) / 1e9
        self._proof = Proof(verdict, self.folder.path, took_s, self.run_id if keep else None)
        return self._proof

    def close(self) -> None:
        """Leave nothing behind that `conclude` did not mean to keep. Safe to call twice."""
        if self._proof is None:
            try:
                self._gather()
            finally:  # a lab that was left up is left up: what went wrong may be mended, and it be taken up again
                self._take_down(keep=self._going_on is not None and self._options.keep != "never")
        self.folder.close()

    def _check_whole(self) -> None:
        """A verdict is drawn from all that was said, or not at all: `not seen` must mean that it did not happen."""
        lost = self.lab.facts().get("lost_events")
        if lost:
            raise LabError(
                expected="every event of every stand-in",
                seen=f"gaps in their numbering: {lost}",
                where="lab",
                hint="the machine may be too busy: run again",
            )

    def _judge(self) -> Verdict:
        facts: dict[str, Any] = dict(self.lab.facts())
        self._times["waited_s"] = (self._trial_loop or self._loop).waited_ns / 1e9
        facts |= {
            "pace": self._plan.pace,
            "waits": _PACES[self._plan.pace],
            "profile_digest": self._plan.profile_digest,
            "times_s": dict(self._times),
            "unswept": self._unswept,
            "resumed": self._going_on.source if self._going_on else None,
            "since": self._plan.since,
        }
        return combine(self._plan, self.machine, facts)

    def _gather(self) -> None:
        for name, content in self.lab.collect():
            self.folder.save(name, content)

    def _take_down(self, keep: bool = False) -> None:
        began_ns = self.clock.now_ns()
        self.lab.stop(keep=keep)
        self._times["lab_down_s"] = (self.clock.now_ns() - began_ns) / 1e9
