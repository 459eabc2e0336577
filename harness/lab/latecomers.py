"""The nodes that are begun when the router has its power, and what may go wrong with them. Layer: lab.

They come up while the router boots. Not here: how a container is made (assembly.py).
"""

from __future__ import annotations

from collections.abc import Mapping

from emulators.common.wire import Event
from harness.errors import LabError
from harness.lab.assembly import Nodes
from harness.lab.conversation import Conversation
from harness.lab.ports import Clock


class Latecomers:
    """Late nodes that were begun and are not ready yet, each with the instant by which it must be. `called`: by the
    kind of an event, the nodes that whoever says it calls next: a subject must not find them missing."""

    def __init__(
        self, assembly: Nodes, talk: Conversation, clock: Clock, ready_s: float, called: Mapping[str, frozenset[str]]
    ) -> None:
        self._assembly, self._talk, self._clock, self._ready_s = assembly, talk, clock, ready_s
        self._called = called
        self._due_ns: dict[str, int] = {}

    def begin(self) -> None:
        """Begin with those that were not begun; a second call begins nothing."""
        known = set(self._assembly.nodes)
        self._assembly.start_late()
        due_ns = self._clock.now_ns() + int(self._ready_s * 1e9)
        self._due_ns |= dict.fromkeys(set(self._assembly.nodes) - known, due_ns)

    def on_event(self, event: Event) -> None:
        """Take note of what a node said. Raises: LabError where a node is called now that is not ready."""
        if event.kind == "node.ready":
            self._due_ns.pop(event.node, None)
        missing = self._called.get(event.kind, frozenset()) & self._due_ns.keys()
        if missing:
            raise LabError(
                expected=f"{', '.join(sorted(missing))} ready before the branch calls there",
                seen=f"{event.node}: {event.kind}, and no word of it yet",
                where="lab",
                hint="the machine is too busy to judge the branch fairly: run again, or fewer labs at a time",
            )

    def wait_attached(self, node: str) -> None:
        """Block until a late node can be written to; what it is asked then waits behind its seed. Raises: LabError."""
        if node in self._due_ns:
            self._assembly.nodes[node].result()

    def check(self) -> None:
        """Raise what went wrong: a container that could not be made, or a node not ready in time. Raises: LabError."""
        for node, due_ns in self._due_ns.items():
            future = self._assembly.nodes[node]
            if future.done():
                future.result()
            if self._clock.now_ns() > due_ns:
                raise self._talk.error(node, "node.ready", f"none within {self._ready_s:g} s")
