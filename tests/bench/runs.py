"""Nominal runs by the command line, as a user makes them, shared by the measurements that need some. I/O: processes.

Not here: what is read off a run (nominal.py, stage_times.py).
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.lab.compose_file import LAB_FILE
from tests.bench.figures import BenchError

HARBOUR = LAB_FILE.parents[1] / "profiles" / "harbour-office.yaml"
PROFILE = LAB_FILE.parents[1] / "profiles" / "pier-kiosk.yaml"
RUN_TIMEOUT_S = 300.0
STOP_TIMEOUT_S = 60.0


@dataclass(frozen=True, slots=True)
class Run:
    """One finished run. `wall_s`: from the start of the process to its end."""

    folder: Path
    wall_s: float
    proven: bool
    verdict: dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Started:
    out: Path
    process: subprocess.Popen[str]
    began_s: float


class Runs:
    """Makes runs under one folder and keeps those made alone on the machine."""

    def __init__(self, folder: Path, say: Callable[[str], None]) -> None:
        self._folder, self._say, self._count = folder, say, 0
        self._alone: list[Run] = []

    def make(self, profile: Path = PROFILE) -> Run:
        """Make one more run, alone."""
        (run,) = self.make_at_once(1, profile)
        if profile == PROFILE:
            self._alone.append(run)
        return run

    def take(self, count: int) -> tuple[Run, ...]:
        """Return at least that many runs made alone, making those that are missing."""
        while len(self._alone) < count:
            self.make()
        return tuple(self._alone)

    def make_at_once(self, count: int, profile: Path = PROFILE) -> tuple[Run, ...]:
        """Start runs together and wait for all. On the way out none is left: each takes its own lab down first."""
        with ThreadPoolExecutor(count) as pool:
            started: list[_Started] = []
            try:
                for _ in range(count):
                    started.append(
                        self._start(profile)
                    )  # one by one, so that those started are known if the next fails
                runs = tuple(pool.map(_finish, started))
            finally:  # before the pool waits for its threads, which wait for the processes
                for each in started:
                    _stop(each.process)
        for run in runs:
            self._say(f"run {run.folder.parent.name}: {'proven' if run.proven else 'NOT proven'} in {run.wall_s:.1f} s")
        return runs

    def _start(self, profile: Path) -> _Started:
        self._count += 1
        out = self._folder / f"{self._count:02d}"
        command = [str(Path(sys.executable).with_name("branchproof")), "prove", str(profile), "--out", str(out)]
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        return _Started(out, process, time.monotonic())


def _finish(started: _Started) -> Run:
    process = started.process
    output, _ = process.communicate(timeout=RUN_TIMEOUT_S)
    wall_s = time.monotonic() - started.began_s
    found = list(started.out.glob("*/verdict.json"))
    if process.returncode not in (0, 1) or len(found) != 1:
        raise BenchError(f"expected a run with a verdict, saw exit {process.returncode}: {output[-1500:]}")
    verdict = json.loads(found[0].read_text(encoding="utf-8"))
    return Run(found[0].parent, wall_s, process.returncode == 0, verdict)


def _stop(process: subprocess.Popen[str]) -> None:
    if process.poll() is None:
        process.terminate()  # the run takes its lab down on SIGTERM
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(STOP_TIMEOUT_S)
    if process.poll() is None:
        process.kill()
        process.wait()
