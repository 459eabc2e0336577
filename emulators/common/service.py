"""What every stand-in's main needs: its seed, its event line, its commands. Layer: stand-in, I/O at the edge.

A stand-in gets one seed (a JSON object: who it is, its links, its settings): from the file named by BENCH_SEED where
that exists (compose secrets), else as the first line on stdin. After that stdin carries commands. Several processes of
one stand-in may emit: a file lock keeps their lines whole.

Not here: what a stand-in does; links (links.py).
"""

from __future__ import annotations

import fcntl
import json
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from emulators.common import wire

Handler = Callable[..., Any]
SEED_FILE = Path("/run/secrets/seed")
CONSOLE_LOCK = Path("/run/console.lock")


class Console:
    """Writes events of one part of a node to stdout, whole lines only, from any thread."""

    def __init__(self, node: str, part: str, fd: int = 1, lock_file: Path = CONSOLE_LOCK) -> None:
        self._node, self._part, self._fd, self._seq = node, part, fd, 0
        self._thread_lock = threading.Lock()
        self._lock_fd = os.open(lock_file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)

    def emit(self, kind: str, /, **data: Any) -> None:
        """Write one event, stamped now."""
        at_ns, wall_ns = time.monotonic_ns(), time.time_ns()
        with self._thread_lock:
            event = wire.Event(self._node, self._part, kind, at_ns, wall_ns, self._seq, data)
            self._seq += 1
            line = memoryview(wire.render(event))
            fcntl.flock(self._lock_fd, fcntl.LOCK_EX)
            try:
                while line:
                    line = line[os.write(self._fd, line) :]
            finally:
                fcntl.flock(self._lock_fd, fcntl.LOCK_UN)


def log(text: str) -> None:
    """Write one line to the node's log (stderr)."""
    sys.stderr.write(f"{time.monotonic():.3f} {text}\n")
    sys.stderr.flush()


def load_seed() -> dict[str, Any]:
    """Return the seed: from the secret file where there is one, else the first line on stdin. Blocks until it is there.

    Raises: EOFError when stdin ends before a seed came.
    """
    path = Path(os.environ.get("BENCH_SEED", str(SEED_FILE)))
    text = path.read_bytes() if path.exists() else sys.stdin.buffer.readline()
    if not text.strip():
        raise EOFError(f"no seed: neither {path} nor a first line on stdin")
    seed = json.loads(text)
    if not isinstance(seed, dict) or seed.get("format") != 1:
        raise ValueError(f"expected a seed of format 1, saw {text[:80]!r}")
    return seed


def serve_commands(console: Console, handlers: Mapping[str, Handler]) -> None:
    """Read commands from stdin until it ends; run each handler as ``handler(**args)`` in a thread of its own.

    The answer is an event ``command.done``. A stdin that is closed (compose by hand) just returns.
    """
    for line in sys.stdin.buffer:
        start_command(console, handlers, line)


def start_command(console: Console, handlers: Mapping[str, Handler], line: bytes) -> None:
    """Read one command line and run its handler in a thread of its own. An empty line is nothing."""
    if not line.strip():
        return
    try:
        command = wire.parse_command(line)
    except wire.WireError as error:
        console.emit("command.rejected", error=str(error))
        return
    threading.Thread(target=_run, args=(console, handlers, command), daemon=True).start()


def _run(console: Console, handlers: Mapping[str, Handler], command: wire.Command) -> None:
    answer: dict[str, Any] = {"id": command.id, "verb": command.verb, "ok": True, "result": None, "error": None}
    try:
        if command.verb not in handlers:
            raise KeyError(f"no such verb; this stand-in knows {', '.join(sorted(handlers))}")
        answer["result"] = handlers[command.verb](**command.args)
    except Exception as error:  # whatever a handler raises is its answer to the harness
        answer["ok"], answer["error"] = False, f"{type(error).__name__}: {error}"
    console.emit("command.done", **answer)
