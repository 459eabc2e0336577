"""What nodes say, as observations. Layer: lab, no I/O, one thread.

Laws: an event leaves as an Observation in the harness's clock domain (before the offset is known, as it came); an
answer carries the label under which it was asked for, and a label goes with its first answer.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from typing import Any

from harness.core.model import Observation
from harness.lab.channel import EventSeen
from harness.lab.offsets import Offset


class Intake:
    """The labels of what was asked, the means that nodes told of, and what was got too early."""

    def __init__(self) -> None:
        self.offset: Offset | None = None
        self.means: list[Mapping[str, Any]] = []
        self._labels: dict[int, str] = {}
        self._returned: deque[Observation] = deque()

    def expect(self, number: int, label: str) -> None:
        """Have the answer to the command of that number carry a label."""
        self._labels[number] = label

    def forget_labels(self) -> None:
        """Have what was asked so far be answered without a label."""
        self._labels.clear()

    def give_back(self, observations: Iterable[Observation]) -> None:
        """Have observations that were got too early come again, before all others."""
        self._returned.extend(observations)

    def take_returned(self) -> Observation | None:
        """Return the next of those that were given back, or None."""
        return self._returned.popleft() if self._returned else None

    def to_observation(self, item: EventSeen) -> Observation:
        """Return an event as an observation, and note what it tells of the lab itself."""
        event = item.event
        data = event.data
        if event.kind == "command.done" and data.get("id") in self._labels:
            data = {**data, "label": self._labels.pop(data["id"])}
        elif event.kind == "means.chosen":
            self.means.append({"node": event.node, "part": event.part, **data})
        at_ns = self.offset.to_harness(event.at_ns) if self.offset else event.at_ns
        return Observation(event.node, event.part, event.kind, at_ns, item.received_ns, event.wall_ns, event.seq, data)
