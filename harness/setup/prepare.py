"""What `branchproof prepare` and `branchproof release` do. Layer: setup, I/O; what it did is told through `say`.

Laws: one at a time on this machine (a file lock); with nothing to do it takes well under a second.
"""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager

from harness.setup.builder import Builder
from harness.setup.engine import ensure_engine, release_engine
from harness.setup.host import Say, state_dir
from harness.setup.images import ensure_images


def prepare(say: Say) -> None:
    """Have an engine and all images. `say` gets each step, before it is done. Raises: EngineError."""
    with _alone(say):
        ensure_engine(say)
        builder = Builder()
        try:
            ensure_images(builder, say)
        finally:
            builder.close()


def release(say: Say) -> None:
    """Stop the engine that `prepare` started, if it did. Images stay. Raises: EngineError."""
    with _alone(say):
        release_engine(say)


@contextmanager
def _alone(say: Say) -> Iterator[None]:
    with (state_dir() / "prepare.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            say("waiting for another `branchproof prepare` on this machine")
            fcntl.flock(lock, fcntl.LOCK_EX)
        yield
