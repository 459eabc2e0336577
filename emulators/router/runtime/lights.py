"""The lights on the front, as a function of what happened. Layer: runtime, pure.

power   on from the start
signal  blinking while the modem looks for a network, on while registered, off when a SIM is blocked
online  blinking once an uplink is up, on once management has answered, off without an uplink
tunnel  on while the tunnel is up
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

Light = Literal["power", "signal", "online", "tunnel"]
State = Literal["off", "on", "blinking"]

REGISTERED = (1, 5)  # 3GPP TS 27.007 §10.1.22 +CEREG <stat>: home network, roaming


def find_light(kind: str, data: Mapping[str, Any]) -> tuple[Light, State] | None:
    """Return the light that an event sets, and to what; None when it sets none."""
    if kind == "registration.changed":
        return "signal", "on" if data.get("stat") in REGISTERED else "blinking"
    if kind == "bootstrap.progressed":
        return ("online", "on") if data.get("step") == "bootstrap-complete" else None
    fixed: dict[str, tuple[Light, State]] = {
        "sim.ready": ("signal", "blinking"),
        "sim.blocked": ("signal", "off"),
        "uplink.up": ("online", "blinking"),
        "uplink.down": ("online", "off"),
        "management.reached": ("online", "on"),
        "tunnel.up": ("tunnel", "on"),
        "tunnel.down": ("tunnel", "off"),
    }
    return fixed.get(kind)


class Lights:
    """The lights' states; says what changed."""

    def __init__(self) -> None:
        self._states: dict[Light, State] = {"power": "off", "signal": "off", "online": "off", "tunnel": "off"}

    def set(self, light: Light, state: State) -> bool:
        """Return whether that is a change."""
        changed = self._states[light] != state
        self._states[light] = state
        return changed
