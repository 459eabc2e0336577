"""What the loop needs of a lab and of a clock. Layer: lab, protocols only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Protocol

from harness.core.model import Action, Observation


class Clock(Protocol):
    def now_ns(self) -> int:
        """CLOCK_MONOTONIC of the harness, nanoseconds."""


class Lab(Protocol):
    """One run's lab. `start` returns when those are ready that the router meets first; `PowerOn` gives it power.

    The others come up while it boots; what they are asked waits for them.
    """

    def start(self) -> None:
        """Build networks, volumes and containers; deliver seeds; wait. Raises: LabError."""

    def perform(self, action: Action) -> None:
        """Carry out one action without waiting for its effect. Raises: LabError."""

    def wait_observation(self, deadline_ns: int) -> Observation | None:
        """Return the next observation, or None at the deadline. Raises: LabError when a node or the engine broke."""

    def facts(self) -> Mapping[str, Any]:
        """What the lab is made of: engine and kernel versions, image digests, clock offset bound, means."""

    def collect(self) -> Iterator[tuple[str, bytes]]:
        """Yield (relative path, content) of captures and node logs. A node that is gone yields nothing."""

    def stop(self) -> None:
        """Remove everything of this run. Safe to call twice, and after a failed start."""
