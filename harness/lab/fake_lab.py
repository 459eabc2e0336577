"""A scripted lab with a jumping clock: the loop and the machine run in it without containers, in no time. Layer: lab,
pure (no engine, no threads, no waiting).

It is shipped, not a test's own: tests/contract holds it to the same behaviour as the real lab. A script says what each
action brings about: what is seen, how long after the action it happens, and how much later the harness has it. Nothing
else ever happens; waiting moves the clock to whichever is first, the next arrival or the deadline.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from harness.core.model import Action, Ask, Observation, PowerCut, PowerOn
from harness.errors import LabError

NS = 1_000_000_000


class FakeClock:
    """A clock that stands still until it is moved."""

    def __init__(self, start_ns: int = NS) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        return self._now_ns

    def move_to(self, at_ns: int) -> None:
        """Go forward to an instant; an instant that is past changes nothing."""
        self._now_ns = max(self._now_ns, at_ns)


@dataclass(frozen=True, slots=True)
class Reaction:
    """Something that happens `after_s` seconds after an action, and arrives `transit_s` later."""

    after_s: float
    source: str
    kind: str
    data: Mapping[str, Any] = field(default_factory=dict)
    part: str = "core"
    transit_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Breakage:
    """The lab itself breaks `after_s` seconds after an action: the wait then raises LabError."""

    after_s: float
    node: str
    seen: str


Script = Callable[[Action], Sequence[Reaction | Breakage]]


def answer(ask: Ask, after_s: float, result: Any, error: str | None = None) -> Reaction:
    """Return the ``command.done`` that answers an ask."""
    data = {"id": 0, "verb": ask.ask, "ok": error is None, "result": result, "error": error, "label": ask.label}
    return Reaction(after_s, ask.node, "command.done", data)


class FakeLab:
    """Implements ports.Lab. `nodes` are the stand-ins that may be asked; `files` is what `collect` yields."""

    def __init__(
        self,
        script: Script,
        clock: FakeClock,
        nodes: Sequence[str] = ("carrier", "internet", "management", "hq-gateway", "hq-endpoint", "client1"),
        files: Mapping[str, bytes] | None = None,
        *,
        router: str = "router",
    ) -> None:
        self.performed: list[Action] = []
        self._script, self._clock, self._nodes, self._router = script, clock, tuple(nodes), router
        self._files = dict(files or {})
        self._arrivals: list[tuple[int, int, Observation | Breakage]] = []
        self._count = 0
        self._state = "new"
        self._powered = False
        self._is_dark = False
        """Power was cut. Before the first PowerOn the router's hardware can be asked."""

    def start(self) -> None:
        """See ports.Lab. Every node but the router is ready at once."""
        self._state = "up"
        for node in self._nodes:
            self._schedule(Reaction(0.0, node, "node.ready"))

    def perform(self, action: Action) -> None:
        """See ports.Lab. Raises: LabError."""
        if isinstance(action, PowerOn):
            if self._state != "up" or self._powered:
                raise self._error("a router without power", "it has power" if self._powered else f"a lab {self._state}")
            self._powered = True
            self._is_dark = False
        elif isinstance(action, PowerCut):
            self.power_cut()
        elif isinstance(action, Ask) and (self._state != "up" or not self._can_ask(action.node)):
            raise self._error(f"a running node to ask {action.ask!r}", repr(action.node))
        self.performed.append(action)
        for reaction in self._script(action):
            self._schedule(reaction)

    def power_cut(self) -> None:
        """Take the router's power: what it would still have said is lost."""
        self._powered = False
        self._is_dark = True
        self._arrivals = [a for a in self._arrivals if getattr(a[2], "source", "") != self._router]
        heapq.heapify(self._arrivals)

    def wait_observation(self, deadline_ns: int) -> Observation | None:
        """See ports.Lab. Raises: LabError where the script has it break."""
        if not self._arrivals or self._arrivals[0][0] > max(deadline_ns, self._clock.now_ns()):
            self._clock.move_to(deadline_ns)
            return None
        received_ns, _, arrived = heapq.heappop(self._arrivals)
        self._clock.move_to(received_ns)
        if isinstance(arrived, Breakage):
            raise LabError(
                expected="a node that works", seen=arrived.seen, where=f"node {arrived.node}", hint="as scripted"
            )
        return arrived

    def facts(self) -> Mapping[str, Any]:
        """See ports.Lab."""
        return {"run": "fake", "engine": {"version": "none"}, "kernel": "none", "images": {}, "means": []}

    def collect(self) -> Iterator[tuple[str, bytes]]:
        """See ports.Lab."""
        yield from sorted(self._files.items())

    def stop(self, keep: bool = False) -> None:
        """See ports.Lab."""
        self._state, self._powered = ("kept" if keep else "stopped"), False

    def _can_ask(self, node: str) -> bool:
        return node in self._nodes or (node == self._router and not self._is_dark)

    def _schedule(self, reaction: Reaction | Breakage) -> None:
        at_ns = self._clock.now_ns() + int(reaction.after_s * NS)
        self._count += 1
        if isinstance(reaction, Breakage):
            heapq.heappush(self._arrivals, (at_ns, self._count, reaction))
            return
        received_ns = at_ns + int(reaction.transit_s * NS)
        seen = Observation(
            reaction.source, reaction.part, reaction.kind, at_ns, received_ns, at_ns, self._count, reaction.data
        )
        heapq.heappush(self._arrivals, (received_ns, self._count, seen))

    def _error(self, expected: str, seen: str) -> LabError:
        return LabError(expected=expected, seen=seen, where="fake lab", hint="a bug in a script, a stage or a check")
