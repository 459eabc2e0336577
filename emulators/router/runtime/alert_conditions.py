"""Which alert conditions stand on the device, from what it says on its console. Layer: firmware, pure; time is given.

    tunnel.down / tunnel.up               tunnel_down
    source.blocked / source.released      lockout, by source
    threat.detected                       threat, by signature and source; gone once it has been quiet for QUIET_S
    another uplink than the first         uplink_failover

Not here: telling management (alert_reporter.py); a silent device, which only management can notice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from emulators.common.alert_report import Standing

QUIET_S = 3.0
"""Our choice, no source: after that a threat that is seen again is a new one."""


class Conditions:
    """What stands now."""

    def __init__(self) -> None:
        self._standing: set[Standing] = set()
        self._threats: dict[Standing, float] = {}

    def list_standing(self, asked: Iterable[str]) -> frozenset[Standing]:
        """Return what stands of the conditions asked for."""
        wanted = set(asked)
        return frozenset(s for s in (*self._standing, *self._threats) if s.condition in wanted)

    def on_event(self, kind: str, data: Mapping[str, Any], now_s: float) -> None:
        """The device said something."""
        match kind:
            case "tunnel.down" | "tunnel.up":
                self._set(Standing("tunnel_down", "headquarters"), stands=kind == "tunnel.down")
            case "source.blocked" | "source.released":
                self._set(Standing("lockout", str(data.get("source"))), stands=kind == "source.blocked")
            case "threat.detected":
                self._threats[Standing("threat", f"{data.get('signature')} from {data.get('source')}")] = now_s

    def on_uplink(self, kind: str | None, order: Sequence[str]) -> None:
        """The uplink in use is another; None: there is none, which changes nothing."""
        if kind is not None and order:
            self._set(Standing("uplink_failover", order[0]), stands=kind != order[0])

    def on_time(self, now_s: float) -> None:
        """Forget threats that are over."""
        self._threats = {s: at_s for s, at_s in self._threats.items() if now_s - at_s < QUIET_S}

    def wake_at(self) -> float | None:
        """Return when time changes something next, or None."""
        return min((at_s + QUIET_S for at_s in self._threats.values()), default=None)

    def _set(self, standing: Standing, *, stands: bool) -> None:
        if stands:
            self._standing.add(standing)
        else:
            self._standing.discard(standing)
