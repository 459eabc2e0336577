"""Who is in at one port that asks by IEEE 802.1X. Layer: router firmware, pure; time is an argument (seconds).

Fed with what hostapd says of each address and with whether the RADIUS server answers, it gives orders: let in, keep
out, put out. Laws: nobody is in but by a success with a method that the segment takes, or, where the segment says so,
because no server answers; an address that only began and then stayed silent is neither. Those who are in stay in while
the server is away. Who came in without the server goes out when it is back, and is asked anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from emulators.common.controls import Admission

VERDICT_S: Final = 1.0
"""A conversation that has no verdict after this time makes the device ask whether the server is there at all; common
practice is longer (RFC 3539 section 3.4.1 speaks of 6 s and more between watchdogs)."""
LOOK_AGAIN_S: Final = 2.0
EAP_TYPES: Final = {13: "tls", 25: "peap"}
"""IANA registry of EAP methods: 13 EAP-TLS, 25 PEAP."""
UNREACHABLE = "unreachable"


@dataclass(frozen=True, slots=True)
class Order:
    """What the device is to do for an address. `let_in`, `keep_out`: with the method, or the reason. `put_out`: as
    `keep_out`, of one who was in; it is asked anew."""

    what: Literal["let_in", "keep_out", "put_out"]
    mac: str
    why: str
    lands: bool = False
    """Whether one who is kept out lands in the segment for those who fail."""


class Gate:
    """One port."""

    def __init__(self, admission: Admission) -> None:
        self._admission = admission
        self._inside: dict[str, str] = {}
        self._waiting: dict[str, float] = {}
        self._look_at_s = 0.0

    @property
    def is_idle(self) -> bool:
        """Say whether nobody is in and nobody is being asked."""
        return not self._inside and not self._waiting

    @property
    def inside(self) -> tuple[str, ...]:
        """Addresses that are in."""
        return tuple(self._inside)

    def on_started(self, mac: str, now_s: float) -> tuple[Order, ...]:
        """A conversation began."""
        self._waiting[mac] = now_s + VERDICT_S
        return ()

    def on_success(self, mac: str, eap_type: int | None) -> tuple[Order, ...]:
        """The server accepted; `eap_type` is the method that it did so by."""
        self._waiting.pop(mac, None)
        method = EAP_TYPES.get(eap_type or 0, "another")
        if method not in self._admission.eap:
            return self._turn_away(mac, f"method {method} is not taken here")
        self._inside[mac] = method
        return (Order("let_in", mac, method),)

    def on_failure(self, mac: str) -> tuple[Order, ...]:
        """The server refused."""
        self._waiting.pop(mac, None)
        return self._turn_away(mac, "refused by the server")

    def on_left(self, mac: str) -> tuple[Order, ...]:
        """The device logged off."""
        self._waiting.pop(mac, None)
        if self._inside.pop(mac, None) is None:
            return ()
        return (Order("keep_out", mac, "logged off"),)

    def must_look(self, now_s: float) -> bool:
        """Say whether it must be known by now if a server answers: `on_server` takes it."""
        unproven = UNREACHABLE in self._inside.values() and self._look_at_s <= now_s
        return unproven or any(due <= now_s for due in self._waiting.values())

    def on_server(self, answers: bool, now_s: float) -> tuple[Order, ...]:
        """Take whether a RADIUS server answers just now."""
        self._look_at_s = now_s + LOOK_AGAIN_S
        overdue = [mac for mac, due in self._waiting.items() if due <= now_s]
        if answers:
            for mac in overdue:  # the conversation goes on: hostapd asks again by itself
                self._waiting[mac] = now_s + LOOK_AGAIN_S
            return self._take_back()
        for mac in overdue:
            del self._waiting[mac]
        newcomers = [mac for mac in overdue if mac not in self._inside]
        if self._admission.unreachable == "admit":
            self._inside |= dict.fromkeys(newcomers, UNREACHABLE)
            return tuple(Order("let_in", mac, UNREACHABLE) for mac in newcomers)
        return tuple(Order("keep_out", mac, "no server answers") for mac in newcomers)

    def _take_back(self) -> tuple[Order, ...]:
        unproven = [mac for mac, method in self._inside.items() if method == UNREACHABLE]
        for mac in unproven:
            del self._inside[mac]
        return tuple(Order("put_out", mac, "a server answers again") for mac in unproven)

    def _turn_away(self, mac: str, why: str) -> tuple[Order, ...]:
        self._inside.pop(mac, None)
        return (Order("keep_out", mac, why, lands=self._admission.refused != "deny"),)
