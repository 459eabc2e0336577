"""A late node must be ready before the branch calls it: else the bench, not the branch, would be judged."""

from __future__ import annotations

from concurrent.futures import Future

import pytest

from emulators.common.wire import Event
from harness.errors import LabError
from harness.lab.conversation import Conversation
from harness.lab.latecomers import Latecomers

SECOND_NS = 1_000_000_000


class StoppedClock:
    now = 0

    def now_ns(self) -> int:
        return self.now


class Begun:
    """Nodes of which the late ones are there once they are begun."""

    def __init__(self, *late: str) -> None:
        self.nodes: dict[str, Future[str]] = {}
        self._late = late

    def start_late(self) -> None:
        for name in self._late:
            self.nodes[name] = Future()
            self.nodes[name].set_result(f"container of {name}")


def say(node: str, kind: str) -> Event:
    return Event(node, "core", kind, 0, 0, 0)


@pytest.fixture
def late() -> Latecomers:
    clock = StoppedClock()
    begun = Begun("hq-gateway", "client1")
    talk = Conversation("abc", begun.nodes, clock)
    return Latecomers(begun, talk, clock, 30.0, {"config.applied": frozenset({"hq-gateway"})})


def test_who_is_called_before_it_is_ready_breaks_the_lab(late: Latecomers) -> None:
    late.begin()
    late.on_event(say("client1", "node.ready"))
    late.on_event(say("router", "boot.started"))
    with pytest.raises(LabError, match="hq-gateway ready before the branch calls there"):
        late.on_event(say("router", "config.applied"))


def test_who_is_ready_in_time_may_be_called(late: Latecomers) -> None:
    late.begin()
    late.on_event(say("hq-gateway", "node.ready"))
    late.on_event(say("router", "config.applied"))  # client1, not ready, is not called by the router


def test_before_anything_is_begun_nothing_is_missing(late: Latecomers) -> None:
    late.on_event(say("router", "config.applied"))
    late.check()
