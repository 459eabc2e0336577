"""A command in a container, with this process's terminal, or without one, as its ends. Layer: lab, I/O, threads.

With a terminal at both ends: this one is raw for as long as the command runs, and its size follows. Without: stdin is
passed on to its end, and the two outputs come apart. Either way the command's exit code is returned.
"""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import signal
import sys
import termios
import tty
from collections.abc import Iterator, Sequence
from types import FrameType

from tenacity import Retrying, retry_if_result, stop_after_delay, wait_fixed

from harness.errors import LabError
from harness.lab.channel import STDERR, Demultiplexer
from harness.lab.engine import Engine, Execution

CODE_S, CODE_POLL_S = 5.0, 0.05
"""From the end of a command's output to the engine knowing its exit code."""
CHUNK_BYTES = 1 << 16


def run_here(engine: Engine, container: str, command: Sequence[str]) -> int:
    """Run a command in a container between this process's stdin and outputs; return its exit code. Raises: LabError."""
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    execution = engine.execute(container, command, terminal=terminal)
    try:
        if terminal:
            with _raw(sys.stdin.fileno()), _following_size(engine, execution):
                _pump(execution, None)
        else:
            _pump(execution, Demultiplexer())
    finally:
        execution.stream.end()
        execution.stream.close()
    return wait_code(engine, execution)


def wait_code(engine: Engine, execution: Execution) -> int:
    """Return the exit code of a command whose output has ended, waiting a moment for it. Raises: LabError."""
    asking = Retrying(
        stop=stop_after_delay(CODE_S),
        wait=wait_fixed(CODE_POLL_S),
        retry=retry_if_result(lambda code: code is None),
        retry_error_callback=lambda state: None,
    )
    code: int | None = asking(engine.find_execution_code, execution)
    if code is None:
        raise LabError(
            expected="a command that has ended", seen="it still runs in the node, without its terminal",
            where="enter", hint="enter the node again and look for it",
        )  # fmt: skip
    return code


def _pump(execution: Execution, frames: Demultiplexer | None) -> None:
    """Pass octets both ways until the command's output ends. `frames` None: a terminal, one output, unframed."""
    stream, stdin = execution.stream, sys.stdin.fileno()
    open_ends = [stream.fileno(), stdin]
    while True:
        readable, _, _ = select.select(open_ends, [], [])
        if stdin in readable:
            typed = os.read(stdin, CHUNK_BYTES)
            if typed:
                stream.send(typed)
            else:
                stream.end_input()
                open_ends.remove(stdin)
        if stream.fileno() in readable:
            said = stream.receive()
            if not said:
                return
            for kind, content in frames.feed(said) if frames else [(0, said)]:
                _write(sys.stderr.fileno() if kind == STDERR else sys.stdout.fileno(), content)


def _write(descriptor: int, content: bytes) -> None:
    left = memoryview(content)
    while left:
        left = left[os.write(descriptor, left) :]


@contextlib.contextmanager
def _raw(descriptor: int) -> Iterator[None]:
    before = termios.tcgetattr(descriptor)
    tty.setraw(descriptor)
    try:
        yield
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


@contextlib.contextmanager
def _following_size(engine: Engine, execution: Execution) -> Iterator[None]:
    def tell(number: int = 0, frame: FrameType | None = None) -> None:
        size = shutil.get_terminal_size()
        engine.resize(execution, size.lines, size.columns)

    before = signal.signal(signal.SIGWINCH, tell)
    tell()
    try:
        yield
    finally:
        signal.signal(signal.SIGWINCH, before)
