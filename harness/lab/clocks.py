"""The harness's clock, and how far the nodes' clocks are from it: asking them. Layer: lab, I/O.

Not here: what an offset is and how samples of it are put together (offsets.py).
"""

from __future__ import annotations

import time

from harness.errors import LabError
from harness.lab.conversation import Conversation
from harness.lab.offsets import Offset, Sample, combine_samples
from harness.lab.ports import Clock

CLOCK_ROUNDS = 5


class SystemClock:
    """CLOCK_MONOTONIC of this machine."""

    def now_ns(self) -> int:
        return time.monotonic_ns()


def measure_offset(talk: Conversation, clock: Clock, nodes: list[str], answer_s: float) -> Offset:
    """Ask each node for its clock, then the nearest `CLOCK_ROUNDS` times more; `answer_s` for each answer.

    Raises: LabError.
    """
    samples = [_sample_clock(talk, clock, node, answer_s) for node in nodes]
    if samples:
        best = min(samples, key=lambda s: s.received_ns - s.sent_ns).node
        samples += [_sample_clock(talk, clock, best, answer_s) for _ in range(CLOCK_ROUNDS)]
    try:
        return combine_samples(samples)
    except ValueError as error:
        raise LabError(
            expected="one kernel's monotonic clock in all nodes", seen=str(error), where="lab",
            hint="run all containers on one engine host",
        ) from error  # fmt: skip


def _sample_clock(talk: Conversation, clock: Clock, node: str, answer_s: float) -> Sample:
    sent_ns = clock.now_ns()
    event, received_ns = talk.ask(node, "clock", {}, answer_s)
    if not event.data.get("ok"):
        raise talk.error(node, "an answer to the verb clock", str(event.data.get("error")))
    return Sample(node, sent_ns, int(event.data["result"]["monotonic_ns"]), received_ns)
