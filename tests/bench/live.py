"""How far the live page is behind the bench. I/O: files, a server on loopback, threads; no engine.

A real run's tape is written anew in real time, line by line as the loop writes it, by a thread that also feeds a run
machine as the loop does; the page's server follows it, and a client reads the stream of scenes. The lag of a message is
from when its line was written until a scene that has it (or a later one: the scene holds the last forty) was received.
"""

from __future__ import annotations

import http.client
import json
import secrets
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from emulators.common.record import to_json
from harness.core.machine import RunMachine
from harness.core.model import Observation, Plan, TapeEntry
from harness.core.registry import load_checks, load_stages
from harness.run_folder import load_run
from harness.runner import feed
from harness.show.follow import Tape
from harness.show.messages import find_message
from harness.show.server import make_server, open_socket
from harness.show.showing import Show
from tests.bench.figures import BenchError, Result, at_most, report
from tests.bench.stats import find_median, find_percentile

LENGTH_S = 20.0
LIMIT_MS = 200.0
REST_S = 2.0
"""How long the stream is read on after the last line."""
Scene = tuple[int, str]
"""When it was received (monotonic, ns), and its JSON."""


class _Following(Show):
    """A show of a tape that somebody else writes."""

    def follow(self, path: Path, plan: Plan) -> Tape:
        tape = Tape(path, plan, is_growing=True, read_faults=dict)
        self.even = False
        self._put_on(tape, time.monotonic_ns)
        self.act({"act": "start"})
        return tape


def measure_lag(run: Path, say: Callable[[str], None], length_s: float = LENGTH_S) -> Result:
    """Return the lag over the first seconds of a run's tape. Raises: BenchError, InputError."""
    saved = load_run(run)
    entries = [e for e in saved.tape if e.now_ns - saved.tape[0].now_ns <= length_s * 1e9]
    say(f"{len(entries)} entries of {run.name}, in real time")
    folder = Path(tempfile.mkdtemp(prefix="branchproof-lag-"))
    try:
        shutil.copy(run / "plan.json", folder)
        (folder / "tape.jsonl").touch()
        written, scenes = _play(folder, saved.plan, entries)
    finally:
        shutil.rmtree(folder)
    lags_ms = sorted(_match(written, scenes))
    if not lags_ms:
        raise BenchError(f"expected messages on the first {length_s:g} s of {run}, saw none")
    return Result(
        "live",
        "how far the live page is behind the bench",
        (
            report("lag, median", find_median(lags_ms), "ms"),
            report("lag, 95 of 100", find_percentile(lags_ms, 95), "ms"),
            at_most("lag, worst", lags_ms[-1], "ms", LIMIT_MS),
        ),
        (f"{len(lags_ms)} messages of {len(entries)} entries in {length_s:g} s of {run.name}; {len(scenes)} scenes",),
        {"lags_ms": lags_ms},
    )


def _play(folder: Path, plan: Plan, entries: Sequence[TapeEntry]) -> tuple[dict[int, int], list[Scene]]:
    """Return when each message's line was written, by its number, and the scenes that came."""
    show, scenes = _Following({}), list[Scene]()
    tape = show.follow(folder, plan)
    with _serve(show) as (port, token):
        is_read = threading.Event()
        reader = threading.Thread(target=_read, args=(port, token, is_read, scenes))
        reader.start()
        try:
            written = _write(folder, plan, entries)
            time.sleep(REST_S)  # for what is still on its way
        finally:
            is_read.set()
            reader.join()
    if tape.error is not None:
        raise BenchError(f"the tape could not be followed: {tape.error}")
    return written, scenes


@contextmanager
def _serve(show: Show) -> Iterator[tuple[int, str]]:
    token = secrets.token_urlsafe(16)
    with open_socket(0) as listener:
        server = make_server(show, token, listener)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            yield listener.getsockname()[1], token
        finally:
            server.should_exit = True
            thread.join()
            show.close()


def _write(folder: Path, plan: Plan, entries: Sequence[TapeEntry]) -> dict[int, int]:
    """Write the entries as time goes by, moved to now; and do what the loop does besides."""
    machine = RunMachine(plan, load_stages(), load_checks())
    written: dict[int, int] = {}
    shift_ns, count = time.monotonic_ns() - entries[0].now_ns, 0
    with (folder / "tape.jsonl").open("wb", buffering=0) as file:
        for entry in entries:
            moved = _move(entry, shift_ns)
            line = json.dumps(to_json(moved), ensure_ascii=False).encode() + b"\n"
            time.sleep(max(0, moved.now_ns - time.monotonic_ns()) / 1e9)  # the tape's own pace
            file.write(line)
            if moved.observation is not None:
                if find_message(count, moved.observation, 0.0) is not None:
                    written[count] = time.monotonic_ns()
                count += 1
            feed(machine, moved)
    return written


def _move(entry: TapeEntry, shift_ns: int) -> TapeEntry:
    seen: Observation | None = entry.observation
    if seen is not None:
        seen = replace(seen, at_ns=seen.at_ns + shift_ns, received_ns=seen.received_ns + shift_ns)
    return replace(entry, now_ns=entry.now_ns + shift_ns, observation=seen)


def _read(port: int, token: str, is_read: threading.Event, scenes: list[Scene]) -> None:
    """Read the stream until told to stop; what it says is looked at afterwards."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", f"/events?token={token}")
    answer = connection.getresponse()
    while not is_read.is_set() and (line := answer.readline()):
        if line.startswith(b"data: "):
            scenes.append((time.monotonic_ns(), line[6:].decode()))
    connection.close()


def _match(written: dict[int, int], scenes: Sequence[Scene]) -> Iterator[float]:
    """Yield the lag of each message, ms. Raises: BenchError for one that was never shown."""
    waiting = sorted(written)
    for received_ns, text in scenes:
        messages = json.loads(text)["messages"]
        last = messages[-1]["number"] if messages else -1
        while waiting and waiting[0] <= last:
            yield (received_ns - written[waiting.pop(0)]) / 1e6
    if waiting:
        raise BenchError(f"expected every message within {REST_S:g} s, saw {len(waiting)} that were never shown")
