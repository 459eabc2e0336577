"""What is seen of the branch at one instant, folded from the observations up to it. Layer: show, pure.

Laws: a link or node is up because somebody other than the router saw it, where there is such a witness; the router's
lights, signal and `last` are what the device says of itself. What joins a router without power is down, whatever was
seen of it before. Not here: stages and checks (judged.py), time (player.py).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import replace

from harness.core.entries import as_number
from harness.core.model import Observation, Plan
from harness.show.messages import CARRIER, ENDPOINT, GATEWAY, INTERNET, MANAGEMENT, ROUTER, find_message, show_text
from harness.show.orders import CUT_POWER, read_order
from harness.show.scene import (
    LIGHTS,
    FirstPing,
    Lights,
    LinkScene,
    LinkState,
    Message,
    NodeScene,
    Role,
    Signal,
)
from harness.stages._shared import find_hq_segment, find_segment_network, is_inside

MOST_MESSAGES = 40
_LEVELS = ((-85.0, 4, "strong"), (-95.0, 3, "good"), (-105.0, 2, "fair"), (-115.0, 1, "weak"))
"""RSRP from which a level begins, dBm. Common practice for LTE; the scale has no standard."""
_UP: dict[tuple[str, str], tuple[str, LinkState]] = {
    (CARRIER, "attach.accepted"): ("radio", "up"),
    (CARRIER, "attach.refused"): ("radio", "down"),
    (CARRIER, "pdn.granted"): ("bearer", "up"),
    (CARRIER, "pdn.refused"): ("bearer", "down"),
    (INTERNET, "dhcp.leased"): ("fixed", "up"),
    (MANAGEMENT, "session.opened"): ("management", "up"),
    (MANAGEMENT, "session.refused"): ("management", "down"),
    (MANAGEMENT, "heartbeat.received"): ("management", "up"),
    (GATEWAY, "child.installed"): ("tunnel", "up"),
    (GATEWAY, "child.removed"): ("tunnel", "down"),
    (GATEWAY, "gateway.closed"): ("tunnel", "down"),
}
"""Who sees that a link came up or went down."""
SILENT_BEATS, SILENT_S = 3, 2.0
"""After so many heartbeats that did not come, and this margin, management's session counts as down."""


class Picture:
    """Feed it each observation in the order of the tape; read it at any time."""

    def __init__(self, plan: Plan, zero_ns: int) -> None:
        self.plan, self.zero_ns = plan, zero_ns
        self.first_ping: FirstPing | None = None
        self.signal: Signal | None = None
        self.lights = Lights()
        self.is_dark = False
        """Somebody at the bench took the router's power."""
        self._nodes = {node.name: node for node in _list_nodes(plan)}
        self._links = {link.name: link for link in _list_links(plan)}
        self._messages: deque[Message] = deque(maxlen=MOST_MESSAGES)
        self._echo_ns: int | None = None
        self._beat_ns: int | None = None
        segment = find_hq_segment(plan)
        self._inside = [find_segment_network(segment)] if segment else []
        self._own = segment.address.partition("/")[0] if segment else ""

    # ------------------------------------------------------------ what can be read

    @property
    def messages(self) -> tuple[Message, ...]:
        return tuple(self._messages)

    @property
    def nodes(self) -> tuple[NodeScene, ...]:
        return tuple(self._nodes.values())

    def list_links(self, now_ns: int) -> tuple[LinkScene, ...]:
        """Return the links at an instant of the tape: a session that fell silent is down."""
        silent_ns = (SILENT_BEATS * self.plan.branch.heartbeat_s + SILENT_S) * 1e9
        if self._beat_ns is None or now_ns <= self._beat_ns + silent_ns:
            return tuple(self._links.values())
        return tuple(_lower(link) if link.name == "management" else link for link in self._links.values())

    def find_at_s(self, at_ns: int) -> float:
        """Return an instant of the tape as seconds from power-on, never below 0."""
        return max(0.0, (at_ns - self.zero_ns) / 1e9)

    # ------------------------------------------------------------ what is fed

    def feed(self, number: int, seen: Observation) -> None:
        """Take one observation."""
        message = find_message(number, seen, self.find_at_s(seen.at_ns))
        if message is not None:
            self._messages.append(message)
        self._follow_order(seen)
        self._follow_node(seen, message)
        self._follow_links(seen)
        follow = _FOLLOW.get((seen.source, seen.kind))
        if follow is not None:
            follow(self, seen)
        elif seen.source.startswith("client"):
            self._follow_client(seen)

    def _follow_order(self, seen: Observation) -> None:
        order = read_order(seen)
        if order == CUT_POWER:
            self._lose_power()
            self.is_dark = True

    def _lose_power(self) -> None:
        self.lights, self.signal = Lights(), None
        self._nodes[ROUTER] = replace(self._nodes[ROUTER], state="dark")
        self._links = {name: _lower(link) for name, link in self._links.items()}
        self._beat_ns = None

    def _follow_node(self, seen: Observation, message: Message | None) -> None:
        node = self._nodes.get(seen.source)
        if node is None:
            return
        says = seen.kind != "command.done"
        comes_up = seen.source != ROUTER or seen.kind == "boot.started"  # a dark router's parts can be asked, too
        self._nodes[node.name] = replace(
            node,
            state="up" if comes_up else node.state,
            last=(message.text if message else show_text(seen.kind)) if says else node.last,
        )

    def _follow_links(self, seen: Observation) -> None:
        name, state = _UP.get((seen.source, seen.kind), ("", "dark"))
        if seen.source.startswith("client") and seen.kind == "lease.obtained":
            name, state = f"lan{seen.source.removeprefix('client')}", "up"
        elif seen.kind in ("link.cut", "link.restored"):
            name, state = str(seen.data.get("name")), "down" if seen.kind == "link.cut" else "up"
        link = self._links.get(name)
        was_never_up = link is not None and link.state == "dark" and (state == "down" or seen.kind == "link.restored")
        if link is not None and not was_never_up:
            self._links[name] = replace(link, state=state)

    def _on_boot(self, seen: Observation) -> None:
        self._lose_power()
        self.is_dark = False
        self._nodes[ROUTER] = replace(self._nodes[ROUTER], state="up")

    def _on_light(self, seen: Observation) -> None:
        light, state = seen.data.get("light"), seen.data.get("state")
        if light in LIGHTS and state in ("off", "on", "blinking"):
            self.lights = replace(self.lights, **{light: state})

    def _on_signal(self, seen: Observation) -> None:
        rsrp = _read_number(seen.data.get("rsrp_dbm"))
        sinr = self.signal.sinr_db if self.signal else None
        self.signal = None if rsrp is None else build_signal(rsrp, _read_number(seen.data.get("rsrq_db")), sinr)

    def _on_bearer(self, seen: Observation) -> None:
        rsrp = _read_number(seen.data.get("rsrp_dbm"))
        if self.signal is not None:
            self.signal = replace(self.signal, sinr_db=_read_number(seen.data.get("sinr_db")))
        elif rsrp is not None and not self.is_dark:
            numbers = (_read_number(seen.data.get(key)) for key in ("rsrq_db", "sinr_db"))
            self.signal = build_signal(rsrp, *numbers)

    def _on_beat(self, seen: Observation) -> None:
        self._beat_ns = seen.at_ns

    def _on_echo(self, seen: Observation) -> None:
        source = seen.data.get("source")
        if self._echo_ns is None and source != self._own and is_inside(source, self._inside):
            self._echo_ns = seen.at_ns

    def _follow_client(self, seen: Observation) -> None:
        result = seen.data.get("result")
        if self.first_ping or self._echo_ns is None or seen.data.get("verb") != "ping" or not isinstance(result, dict):
            return
        times = result.get("rtts_ms")
        rtt = _read_number(times[0]) if isinstance(times, list | tuple) and times else None
        if rtt is not None:
            self.first_ping = FirstPing(self.find_at_s(self._echo_ns), rtt)


_FOLLOW: dict[tuple[str, str], Callable[[Picture, Observation], None]] = {
    (ROUTER, "boot.started"): Picture._on_boot,
    (ROUTER, "light.changed"): Picture._on_light,
    (ROUTER, "signal.measured"): Picture._on_signal,
    (CARRIER, "pdn.granted"): Picture._on_bearer,
    (MANAGEMENT, "heartbeat.received"): Picture._on_beat,
    (ENDPOINT, "echo.received"): Picture._on_echo,
}


def build_signal(rsrp_dbm: float, rsrq_db: float | None, sinr_db: float | None) -> Signal:
    """Return a signal with its level and the word for it."""
    level, words = next(((n, w) for least, n, w in _LEVELS if rsrp_dbm >= least), (0, "hardly any"))
    return Signal(rsrp_dbm, rsrq_db, sinr_db, level, words)


def _read_number(value: object) -> float | None:
    """Return a number that JSON has a form for, or None: whoever says it may say anything."""
    number = as_number(value)
    return number if number is not None and math.isfinite(number) else None


def _lower(link: LinkScene) -> LinkScene:
    return replace(link, state="down") if link.state == "up" else link


def _list_nodes(plan: Plan) -> tuple[NodeScene, ...]:
    named: list[tuple[str, str, Role]] = [
        (ROUTER, plan.branch.hostname, "branch"),
        (CARRIER, "carrier", "carrier"),
        (INTERNET, "internet", "internet"),
        (MANAGEMENT, "management", "management"),
        (GATEWAY, "HQ gateway", "hq"),
        (ENDPOINT, "HQ services", "hq"),
        *((f"client{port}", f"{segment} client", "client") for port, segment in _list_ports(plan)),
    ]
    return tuple(NodeScene(name, show_text(title), role, "dark", "") for name, title, role in named)


def _list_links(plan: Plan) -> tuple[LinkScene, ...]:
    named = [("management", "management session", MANAGEMENT), ("tunnel", "tunnel to headquarters", GATEWAY)]
    if "cellular" in plan.branch.uplinks:
        named = [("radio", "radio", CARRIER), ("bearer", "mobile data", CARRIER), *named]
    if "ethernet" in plan.branch.uplinks:
        named.append(("fixed", "fixed line", INTERNET))
    named += [(f"lan{port}", f"LAN port {port}, {segment}", f"client{port}") for port, segment in _list_ports(plan)]
    return tuple(LinkScene(name, show_text(title), (ROUTER, end), "dark") for name, title, end in named)


def _list_ports(plan: Plan) -> list[tuple[int, str]]:
    return sorted((port, segment.name) for segment in plan.branch.segments for port in segment.ports)
