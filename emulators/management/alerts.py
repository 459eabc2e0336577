"""Which alerts to raise and to clear: each once. Layer: stand-in, pure; time is an argument.

    device's report of what stands --> condition new: raised, condition gone: cleared
    no sign of life for SILENT_BEATS heartbeats --> device_silent raised; the next sign clears it

Only conditions that are asked for are raised; one that was raised is cleared whatever is asked for then. Not here: how
an alert leaves (alert_sender.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from emulators.common.alert_report import Standing
from emulators.common.controls import Alerts

SILENT = "device_silent"
SILENT_BEATS = 3
"""Heartbeats missed in a row; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Alert:
    """`device`: the serial number."""

    device: str
    condition: str
    subject: str
    state: Literal["raised", "cleared"]


class AlertDesk:
    """What is known of each device's conditions."""

    def __init__(self, alerts: Alerts | None, heartbeat_s: float) -> None:
        self._asked = _list_conditions(alerts)
        self._silent_s = SILENT_BEATS * heartbeat_s
        self._seen_s: dict[str, float] = {}
        self._raised: dict[str, frozenset[Standing]] = {}

    def ask_for(self, alerts: Alerts | None) -> None:
        """Raise these from now on, and no others."""
        self._asked = _list_conditions(alerts)

    def on_sign(self, device: str, now_s: float) -> list[Alert]:
        """A heartbeat came."""
        self._seen_s[device] = now_s
        return self._change(device, self._raised.get(device, frozenset()) - {Standing(SILENT, device)})

    def on_report(self, device: str, standing: frozenset[Standing], now_s: float) -> list[Alert]:
        """The device said what stands."""
        signs = self.on_sign(device, now_s)
        raised = self._raised.get(device, frozenset())
        wanted = {s for s in standing if s in raised or (s.condition in self._asked and s.condition != SILENT)}
        return signs + self._change(device, frozenset(wanted))

    def on_time(self, now_s: float) -> list[Alert]:
        """Look who has been silent for too long."""
        if SILENT not in self._asked:
            return []
        found: list[Alert] = []
        for device, seen_s in self._seen_s.items():
            if now_s - seen_s >= self._silent_s:
                found += self._change(device, self._raised.get(device, frozenset()) | {Standing(SILENT, device)})
        return found

    def wake_at(self) -> float | None:
        """Return when to look next, or None."""
        if SILENT not in self._asked:
            return None
        quiet = {d for d, raised in self._raised.items() if Standing(SILENT, d) in raised}
        return min((s + self._silent_s for d, s in self._seen_s.items() if d not in quiet), default=None)

    def _change(self, device: str, standing: frozenset[Standing]) -> list[Alert]:
        before, self._raised[device] = self._raised.get(device, frozenset()), standing
        gone = [Alert(device, s.condition, s.subject, "cleared") for s in sorted(before - standing)]
        return gone + [Alert(device, s.condition, s.subject, "raised") for s in sorted(standing - before)]


def _list_conditions(alerts: Alerts | None) -> frozenset[str]:
    return frozenset(c.condition for c in alerts.conditions) if alerts else frozenset()
