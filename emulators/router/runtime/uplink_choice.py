"""Which of the uplinks that stand is to be used. Layer: firmware, pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from .uplink_state import UplinkState

METRIC_STEP, METRIC_SICK = 10, 1000
RECOVERIES = 2  # answers in a row that make a sick uplink well again; common practice


@dataclass(slots=True)
class Choice:
    """Pure: the uplinks that stand, their health, and so the one to use."""

    order: tuple[str, ...]
    states: dict[str, UplinkState] = field(default_factory=dict)
    misses: dict[str, int] = field(default_factory=dict)
    answers: dict[str, int] = field(default_factory=dict)
    sick: set[str] = field(default_factory=set)

    def set_state(self, kind: str, state: UplinkState | None) -> None:
        """An uplink came (or came anew) or went. A new one counts as well."""
        self.states.pop(kind, None)
        self.sick.discard(kind)
        self.misses[kind] = self.answers[kind] = 0
        if state is not None:
            self.states[kind] = state

    def take_answer(self, kind: str, *, answered: bool, failures: int) -> bool:
        """Count one health check. Returns whether the uplink's health changed."""
        if kind not in self.states:
            return False
        self.misses[kind] = 0 if answered else self.misses[kind] + 1
        self.answers[kind] = self.answers[kind] + 1 if answered else 0
        was_sick = kind in self.sick
        if not was_sick and self.misses[kind] >= failures:
            self.sick.add(kind)
        elif was_sick and self.answers[kind] >= RECOVERIES:
            self.sick.discard(kind)
        return was_sick != (kind in self.sick)

    def metric(self, kind: str) -> int:
        """Return the metric of an uplink's default route: its place, sick ones behind all well ones."""
        return (self.order.index(kind) + 1) * METRIC_STEP + (METRIC_SICK if kind in self.sick else 0)

    def current(self) -> UplinkState | None:
        """Return the uplink to use: the first well one, else the first that stands at all."""
        standing = [kind for kind in self.order if kind in self.states]
        return self.states[min(standing, key=self.metric)] if standing else None
