"""Is a lab back in its clean state? Nothing is impaired in any stand-in, every uplink that a trial left down is up
again, and the branch serves. Layer: trial, pure.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.core.entries import Evidence, Seen
from harness.core.faults import BENCH
from harness.core.model import Action, Ask, Observation, Plan
from harness.core.timing import to_ns
from harness.trial.service import Looks, find_service

CLEAN_S = 45.0
"""How long a lab may take to show that it is clean (an uplink asks for its address at a pace of its own); two
heartbeats are added."""
UPLINK_KINDS = ("uplink.up", "uplink.down")


def find_down(evidence: Evidence) -> frozenset[str]:
    """Return the uplinks that were down when a trial ended, as far as the device said so."""
    last = {str(s.data.get("uplink")): s.observation.kind for s in evidence if s.observation.kind in UPLINK_KINDS}
    return frozenset(uplink for uplink, kind in last.items() if kind == "uplink.down")


class CleanCheck:
    """A machine for the loop. `is_clean` counts once it is done."""

    def __init__(self, plan: Plan, nodes: Sequence[str], down: frozenset[str] = frozenset()) -> None:
        self._plan, self._down = plan, down
        self._asks = [Ask(node, "impaired", {}, f"{BENCH}impaired.{node}") for node in nodes]
        self._evidence = Evidence()
        self._looks: Looks | None = None
        self._since_ns = self._due_ns = self._now_ns = 0
        self.is_clean = False
        self.done = False

    @property
    def deadline_ns(self) -> int | None:
        """When it must be woken."""
        look_ns = self._looks.deadline_ns if self._looks else None
        return None if self.done else min(w for w in (look_ns, self._due_ns) if w and w > self._now_ns)

    def start(self, now_ns: int) -> tuple[Action, ...]:
        """Begin."""
        self._since_ns = now_ns
        self._due_ns = now_ns + to_ns(CLEAN_S + 2 * self._plan.branch.heartbeat_s)
        self._looks = Looks(self._plan, "clean", now_ns)
        return (*self._asks, *self._advance(now_ns))

    def on_observation(self, observation: Observation, now_ns: int) -> tuple[Action, ...]:
        """Take one observation."""
        self._evidence.add(Seen(len(self._evidence), observation))
        return self._advance(now_ns)

    def on_tick(self, now_ns: int) -> tuple[Action, ...]:
        """Be woken."""
        return self._advance(now_ns)

    def _advance(self, now_ns: int) -> tuple[Action, ...]:
        self._now_ns = now_ns
        answers = [self._evidence.find_answer(ask.label) for ask in self._asks]
        is_mended = all(a is not None and a.ok and a.get("under_way") == [] for a in answers)
        is_up = all(self._evidence.find_first("router", "uplink.up", uplink=kind) for kind in self._down)
        self.is_clean = is_mended and is_up and find_service(self._plan, self._evidence, self._since_ns) is not None
        self.done = self.is_clean or now_ns >= self._due_ns
        return () if self.done or self._looks is None else self._looks.go_on(self._evidence, now_ns)
