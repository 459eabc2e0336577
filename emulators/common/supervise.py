"""Daemons in the foreground, kept running. Layer: stand-in, I/O (processes).

Each daemon is the head of its own process group, so that stopping it leaves nothing behind; what it prints goes line by
line to the node's log, behind its name. One that ends by itself is started again, with a back-off that grows.

Not here: what a daemon is configured to do, and when it counts as ready.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from emulators.common.service import log

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 10.0
STEADY_S = 30.0
"""A daemon that ran this long is taken as well again: the back-off starts anew. Common practice."""
STOP_S = 1.5
"""How long a daemon has to follow SIGTERM before SIGKILL; inside the bench's stop_grace_period it must be short."""
POLL_S = 0.01


@dataclass(frozen=True, slots=True)
class Daemon:
    """A command to keep running. `on_line` gets each line that it prints (from a thread of the supervisor); lines that
    hold `hushed` are left out of the log (what a daemon repeats all along while it waits as it should)."""

    name: str
    argv: tuple[str, ...]
    environment: Mapping[str, str] = field(default_factory=dict)
    on_line: Callable[[str], None] | None = None
    hushed: str | None = None


class DaemonError(RuntimeError):
    """A daemon did not become ready."""


class Keeper:
    """Keeps one daemon running until it is stopped."""

    def __init__(self, daemon: Daemon) -> None:
        self.daemon = daemon
        self.starts = 0
        self.tail: list[str] = []
        self._process: subprocess.Popen[str] | None = None
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._keep, name=daemon.name, daemon=True)

    def start(self) -> Keeper:
        """Start it, and go on starting it."""
        self._launch()
        self._thread.start()
        return self

    def wait_ready(self, is_ready: Callable[[], bool], timeout_s: float) -> None:
        """Block until `is_ready`. Raises: DaemonError when the daemon ended, or was not ready in time."""
        deadline = time.monotonic() + timeout_s
        while not is_ready():
            process = self._process
            if self.starts > 1 or process is None or process.poll() is not None:
                time.sleep(0.05)  # lets its last words arrive
                raise DaemonError(f"{self.daemon.name} ended at once: {self._last_words()}")
            if time.monotonic() > deadline:
                raise DaemonError(f"{self.daemon.name} was not ready within {timeout_s:g} s: {self._last_words()}")
            time.sleep(POLL_S)  # daemons have no one way to say that they are ready: each is asked

    def signal(self, number: signal.Signals) -> None:
        """Send a signal to the daemon itself (not to its group)."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def stop(self) -> None:
        """End it and all that it started: SIGTERM, then SIGKILL. Does nothing when it is stopped already."""
        with self._lock:  # so that no new start slips in between
            self._stopping.set()
            process = self._process
        if process is None:
            return
        _signal_group(process, signal.SIGTERM)
        try:
            process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            log(f"{self.daemon.name}: still there {STOP_S:g} s after SIGTERM, killing it")
        _signal_group(process, signal.SIGKILL)
        process.wait()
        self._thread.join(STOP_S)  # it has read the last words

    def _last_words(self) -> str:
        return " | ".join(self.tail[-4:]) or "it printed nothing"

    def _launch(self) -> None:
        with self._lock:
            if self._stopping.is_set():
                return
            self.starts += 1
            self._process = subprocess.Popen(
                self.daemon.argv,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                errors="replace",
                env={**os.environ, **self.daemon.environment},
                start_new_session=True,
            )

    def _keep(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stopping.is_set():
            process, began = self._process, time.monotonic()
            if process is None:
                return
            self._read(process)
            code = process.wait()
            if self._stopping.is_set():
                return
            pause_s = FIRST_PAUSE_S if time.monotonic() - began > STEADY_S else pause_s
            log(f"{self.daemon.name}: ended with code {code}, starting it again in {pause_s:g} s")
            if self._stopping.wait(pause_s):
                return
            pause_s = min(pause_s * 2, LONGEST_PAUSE_S)
            self._launch()

    def _read(self, process: subprocess.Popen[str]) -> None:
        if process.stdout is None:
            return
        with process.stdout as stream:
            for line in stream:
                self._take(line.rstrip())

    def _take(self, text: str) -> None:
        self.tail = [*self.tail[-19:], text]
        if self.daemon.hushed is None or self.daemon.hushed not in text:
            log(f"{self.daemon.name}: {text}")
        if self.daemon.on_line is not None:
            self.daemon.on_line(text)


def _signal_group(process: subprocess.Popen[str], number: signal.Signals) -> None:
    try:
        os.killpg(process.pid, number)
    except (ProcessLookupError, PermissionError):  # gone; or, on some kernels, only zombies are left
        return


def run(argv: Sequence[str], text: str | None = None, timeout_s: float = 10.0) -> str:
    """Run a command to its end and return what it printed. Raises: DaemonError with its words when it failed."""
    try:
        done = subprocess.run(argv, input=text, capture_output=True, text=True, check=False, timeout=timeout_s)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise DaemonError(f"{' '.join(argv)}: {error}") from error
    if done.returncode:
        raise DaemonError(f"{' '.join(argv)}: exit {done.returncode}: {(done.stderr or done.stdout).strip()}")
    return done.stdout


def write_private(path: Path, text: str, mode: int = 0o600) -> None:
    """Write a file whole or not at all, readable to its owner alone unless `mode` says more."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.new")
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(path)
