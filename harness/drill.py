"""`branchproof drill`: a suite of faults, several labs side by side, shared where that is fair. Layer: top, like app.

A fault that strikes before service has a lab to itself: its bring-up is the trial. Faults of a branch in service are
tried one after another in one lab, whose bring-up was proven first; after each a check says whether the lab is back in
its clean state (nothing impaired, a client's echo at HQ, a heartbeat), and only then does the next begin. A lab that is
not clean is left, and the rest go on in a new one.

Each trial has a run folder of its own, whose tape begins with the bring-up that it stands on: it can be read, replayed
and explained by itself.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from emulators.common.record import to_json
from harness.app import Options, Session
from harness.core.faults import Applied
from harness.core.machine import RunMachine
from harness.core.model import Plan, TapeEntry
from harness.core.registry import load_checks, load_invariants
from harness.core.replay import replay
from harness.core.verdict import combine
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import Diagnosis, diagnose
from harness.errors import LabError
from harness.reports.junit import render_junit
from harness.run_folder import RunFolder, load_run
from harness.runner import Loop
from harness.trial.clean import CleanCheck, find_down
from harness.trial.outcome import TrialOutcome, judge_trial
from harness.trial.prelude import Prelude
from harness.trial.trial import Trial

USUAL_S = 40.0
"""What a trial in service takes, besides the time that its cause lasts: for sharing out only."""
STARTS = 2
"""Labs that are built at the same time: so many fill two processors, and more would all come up late."""
LAB_TRIES = 2
"""A lab that broke (engine, stand-in) is built anew once: its trial is not judged by it."""


@dataclass(frozen=True, slots=True)
class Row:
    """One trial of a drill. `error`: why there is no outcome (the lab broke). `shared`: in a lab with others."""

    applied: Applied
    outcome: TrialOutcome | None
    diagnosis: Diagnosis | None
    folder: Path | None
    took_s: float
    shared: bool
    error: str = ""

    @property
    def is_named(self) -> bool:
        """Say whether the diagnosis puts a right cause first, or rightly finds none."""
        if self.outcome is None or self.diagnosis is None:
            return False
        first = self.diagnosis.named[0].cause.name if self.diagnosis.named else None
        return first in self.outcome.causes if self.outcome.causes else first is None

    @property
    def is_as_expected(self) -> bool:
        return self.outcome is not None and self.outcome.outcome == "PASS" and self.is_named


Batch = tuple[Applied, ...]


def _ignore(running: Sequence[str]) -> None:
    """The listener of a drill that nobody watches."""


def build_batches(plan: Plan, suite: Sequence[Applied], labs: int) -> list[Batch]:
    """Return what is run lab by lab: first `labs` shared ones at most, about as long as each other, then one for each
    other fault, those of late stages before those of early ones."""

    def estimate_s(applied: Applied) -> float:
        return USUAL_S + (applied.fault.lasts_s(plan, applied.values) or 0.0)

    standing = sorted((a for a in suite if a.fault.onset.stage == "hq_reached"), key=estimate_s, reverse=True)
    alone = [a for a in suite if a.fault.onset.stage != "hq_reached"]
    shared: list[list[Applied]] = [[] for _ in range(min(labs, len(standing)))]
    for applied in standing:  # the longest first, each to the lab that has least to do
        min(shared, key=lambda batch: sum(map(estimate_s, batch))).append(applied)
    return [tuple(batch) for batch in shared] + [(applied,) for applied in reversed(alone)]


class Drill:
    """Runs batches in worker threads. `on_row` is called from them, one at a time."""

    def __init__(
        self,
        plan: Plan,
        secrets: dict[str, str],
        out: Path,
        on_row: Callable[[Row], None],
        on_running: Callable[[Sequence[str]], None] = _ignore,
    ) -> None:
        self._plan = replace(plan, only=(), skip=tuple(c.name for c in load_checks()))
        self._secrets, self._out, self._on_row, self._on_running = secrets, out, on_row, on_running
        self._lock, self._stop = threading.Lock(), threading.Event()
        self._starts = threading.BoundedSemaphore(STARTS)
        self._running: list[str] = []

    def run(self, batches: Sequence[Batch], jobs: int) -> None:
        """Run all. On an interrupt every lab is taken down before this returns. Raises: KeyboardInterrupt."""
        with ThreadPoolExecutor(jobs, thread_name_prefix="drill") as pool:
            futures = [pool.submit(self._run_batch, batch) for batch in batches]
            try:
                for future in as_completed(futures):
                    future.result()
            except BaseException:
                self._stop.set()
                pool.shutdown(wait=True, cancel_futures=True)
                raise

    def _tell(self, row: Row) -> None:
        with self._lock:
            self._on_row(row)

    @contextmanager
    def _named(self, applied: Applied) -> Iterator[None]:
        """Say that a trial is under way, for whoever watches."""
        self._change(self._running.append, applied.text)
        try:
            yield
        finally:
            self._change(self._running.remove, applied.text)

    def _change(self, how: Callable[[str], None], text: str) -> None:
        with self._lock:
            how(text)
            self._on_running(tuple(self._running))

    def _is_stopped(self, machine: RunMachine) -> bool:
        return self._stop.is_set()

    def _run_batch(self, batch: Batch) -> None:
        left, tries = list(batch), 0
        while left and not self._stop.is_set():
            standing = left[0].fault.onset.stage == "hq_reached"
            before = len(left)
            try:
                if standing:
                    self._run_standing(left)
                else:
                    with self._named(left[0]):
                        self._run_alone(left)
            except LabError as error:
                tries = tries + 1 if len(left) == before else 1
                if tries >= LAB_TRIES:
                    self._tell(Row(left.pop(0), None, None, None, 0.0, standing, str(error)))
                    tries = 0

    def _start(self, session: Session) -> int | None:
        """Build the lab when its turn has come. Returns when that was; None where the drill was stopped by then."""
        with self._starts:
            if self._stop.is_set():
                return None
            began_ns = session.clock.now_ns()
            session.start()
        return began_ns

    def _run_alone(self, left: list[Applied]) -> None:
        applied = left[0]
        with Session(self._plan, self._secrets, Options(self._out, whole=True), applied=(applied,)) as session:
            began_ns = self._start(session)
            if began_ns is None:
                return
            session.run(self._is_stopped)
            if session.trial is None or not session.trial.done:
                return
            proof = session.conclude()
            outcome = judge_trial(session.trial)
            session.folder.save_outcome(to_json(outcome))
            diagnosis = diagnose(build_case(session.machine))
            took_s = (session.clock.now_ns() - began_ns) / 1e9
        left.pop(0)
        self._tell(Row(applied, outcome, diagnosis, proof.folder, took_s, False))

    def _run_standing(self, left: list[Applied]) -> None:
        """Try one after another for as long as the lab is clean after each."""
        with Session(self._plan, self._secrets, Options(self._out, whole=True)) as session:
            if self._start(session) is None:
                return
            session.run(self._is_stopped)
            if self._stop.is_set():
                return
            self._check_standing(session)
            prefix = load_run(session.folder.path).tape
            while left and not self._stop.is_set():
                with self._named(left[0]):
                    tried = self._try_standing(session, prefix, left[0])
                if tried is None:
                    return
                row, down = tried
                left.pop(0)
                self._tell(row)
                if left and not self._is_clean(session, down):
                    break
            session.conclude()

    @staticmethod
    def _check_standing(session: Session) -> None:
        missed = [r for r in session.machine.results() if r.outcome != "PASS"]
        if missed:
            raise LabError(
                expected="a branch in service, to try faults of service on",
                seen=f"{missed[0].stage}: {missed[0].summary}",
                where=str(session.folder.path),
                hint="prove the profile first: branchproof prove",
            )

    def _try_standing(
        self, session: Session, prefix: Sequence[TapeEntry], applied: Applied
    ) -> tuple[Row, frozenset[str]] | None:
        """Return what came of a trial, and the uplinks that it left down; None where the drill was stopped."""
        began_ns = session.clock.now_ns()
        session.lab.forget_asks()
        machine = replay(self._plan, prefix)
        trial = Trial(self._plan, Prelude(self._plan, (applied,)), machine, load_invariants())
        name = "-".join([session.folder.path.name, *re.split("[:=]", applied.text)])  # values, too: each has its own
        with closing(RunFolder(session.folder.path.with_name(name), self._plan, session.hidden)) as folder:
            for entry in prefix:
                folder.write(entry)
            Loop(trial, session.lab, session.clock, folder, lambda t: None).run(lambda t: self._stop.is_set())
            if not trial.done:
                return None
            outcome = judge_trial(trial)
            facts = {"pace": self._plan.pace, "lab": session.folder.path.name}
            verdict = combine(self._plan, machine, facts)
            folder.save_verdict(verdict, render_junit(verdict, f"{self._plan.branch.profile} / {applied.text}"))
            folder.save_outcome(to_json(outcome))
        took_s = (session.clock.now_ns() - began_ns) / 1e9
        row = Row(applied, outcome, diagnose(build_case(machine)), folder.path, took_s, True)
        return row, find_down(trial.evidence)

    def _is_clean(self, session: Session, down: frozenset[str]) -> bool:
        session.lab.forget_asks()
        check = CleanCheck(self._plan, session.lab.list_nodes(), down)
        with closing(session.folder.open_tape(f"clean-{session.clock.now_ns()}.jsonl")) as tape:
            Loop(check, session.lab, session.clock, tape, lambda machine: None).run()
        return check.is_clean
