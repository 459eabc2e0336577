"""One conformance suite for every ports.Lab: the fake one, and (marked `lab`) the real one in containers.

What is demanded is the docstrings of harness/lab/ports.py and of core.model's actions; so the fake cannot drift.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

import pytest
from bench_nodes import make_small_lab

from emulators.common.record import to_json
from harness.core.model import Action, Ask, Observation, PowerOn
from harness.errors import LabError
from harness.lab.fake_lab import Breakage, FakeClock, FakeLab, Reaction, answer
from harness.lab.ports import Clock, Lab

NS = 1_000_000_000
NODES = ("carrier", "client1")


def script(action: Action) -> list[Reaction | Breakage]:
    """The same behaviour as the small real nodes' main (bench_nodes.MAIN)."""
    if isinstance(action, PowerOn):
        return [Reaction(0.3, "router", "boot.started", {"boots": 1}, transit_s=0.001)]
    if action.ask == "echo":
        return [answer(action, 0.002, "x" * action.args["size"])]
    if action.ask == "leave":
        return [Breakage(0.1, action.node, f"exit code {action.args['code']}")]
    return [answer(action, 0.002, None, "KeyError: no such verb")]


@dataclass
class Bench:
    lab: Any
    clock: Clock

    def next(self, kind: str, within_s: float = 20.0) -> Observation:
        """Return the next observation of a kind."""
        deadline_ns = self.clock.now_ns() + int(within_s * NS)
        while (seen := self.lab.wait_observation(deadline_ns)) is not None:
            if seen.kind == kind:
                return seen
        raise AssertionError(f"no {kind} within {within_s} s")

    def drain(self) -> list[Observation]:
        seen = []
        while (item := self.lab.wait_observation(self.clock.now_ns())) is not None:
            seen.append(item)
        return seen


def make_fake() -> Bench:
    clock = FakeClock()
    return Bench(FakeLab(script, clock, NODES, {"nodes/carrier.log": b"settled\n"}), clock)


class _Monotonic:
    def now_ns(self) -> int:
        return time.monotonic_ns()


def make_real() -> Bench:
    return Bench(make_small_lab("f1contract"), _Monotonic())


@pytest.fixture(params=["fake", pytest.param("real", marks=pytest.mark.lab)])
def new(request: pytest.FixtureRequest) -> Callable[[], Bench]:
    return make_fake if request.param == "fake" else make_real


@pytest.fixture
def bench(new: Callable[[], Bench]) -> Iterator[Bench]:
    made = new()
    try:
        made.lab.start()
        yield made
    finally:
        made.lab.stop()


def test_it_is_a_lab(bench: Bench) -> None:
    """The type checker holds both to the protocol; this only shows that both are built the same way."""
    lab: Lab = bench.lab
    assert callable(lab.collect)


def test_start_returns_when_all_but_the_router_are_ready(bench: Bench) -> None:
    ready = [seen for seen in bench.drain() if seen.kind == "node.ready" and seen.source != "bridges"]
    assert sorted(seen.source for seen in ready) == sorted(NODES)


def test_a_wait_without_anything_ends_at_its_deadline(bench: Bench) -> None:
    bench.drain()
    deadline_ns = bench.clock.now_ns() + NS // 10
    assert bench.lab.wait_observation(deadline_ns) is None
    assert bench.clock.now_ns() >= deadline_ns


def test_a_deadline_that_is_past_does_not_hide_what_arrived(bench: Bench) -> None:
    assert bench.lab.wait_observation(bench.clock.now_ns() - NS) is not None


def test_an_ask_is_answered_once_with_its_label(bench: Bench) -> None:
    bench.lab.perform(Ask("client1", "echo", {"size": 3}, "first"))
    bench.lab.perform(Ask("carrier", "echo", {"size": 2}, "second"))
    seen = {(one := bench.next("command.done")).data["label"]: one for _ in range(2)}
    assert seen["first"].data["result"] == "xxx" and seen["first"].source == "client1"
    assert seen["second"].data["result"] == "xx" and seen["second"].source == "carrier"
    assert not [more for more in bench.drain() if more.kind == "command.done"]


def test_an_ask_that_fails_is_an_answer_not_an_exception(bench: Bench) -> None:
    bench.lab.perform(Ask("client1", "no-such-verb", {}, "x"))
    seen = bench.next("command.done")
    assert seen.data["ok"] is False and "no such verb" in seen.data["error"] and seen.data["label"] == "x"


def test_instants_are_in_order_and_in_the_harness_domain(bench: Bench) -> None:
    before_ns = bench.clock.now_ns()
    bench.drain()
    bench.lab.perform(Ask("client1", "echo", {"size": 1}, "x"))
    seen = bench.next("command.done")
    slack_ns = 5_000_000  # the offset's bound; the real lab's is below 1 ms here
    assert before_ns - slack_ns <= seen.at_ns <= seen.received_ns + slack_ns
    assert before_ns <= seen.received_ns <= bench.clock.now_ns()


def test_the_router_speaks_only_after_power_on(bench: Bench) -> None:
    bench.lab.wait_observation(bench.clock.now_ns() + NS // 5)
    assert not [seen for seen in bench.drain() if seen.source == "router"]
    bench.lab.perform(PowerOn())
    assert bench.next("boot.started").source == "router"


def test_power_on_twice_is_refused_and_a_power_cut_allows_it_again(bench: Bench) -> None:
    bench.lab.perform(PowerOn())
    bench.next("boot.started")
    with pytest.raises(LabError):
        bench.lab.perform(PowerOn())
    bench.lab.power_cut()
    with pytest.raises(LabError):
        bench.lab.perform(Ask("router", "echo", {"size": 1}, "without power"))
    bench.lab.perform(PowerOn())
    assert bench.next("boot.started").source == "router"


def test_an_unknown_node_is_refused(bench: Bench) -> None:
    with pytest.raises(LabError, match="nobody"):
        bench.lab.perform(Ask("nobody", "echo", {"size": 1}, "x"))


def test_a_node_that_ends_is_a_lab_error_with_its_exit_code(bench: Bench) -> None:
    bench.lab.perform(Ask("client1", "leave", {"code": 7}, "x"))
    with pytest.raises(LabError, match="exit code 7") as caught:
        bench.next("never", 10.0)
    assert "client1" in caught.value.where


def test_facts_are_json_and_name_engine_and_images(bench: Bench) -> None:
    facts = bench.lab.facts()
    assert to_json(facts) == facts
    assert {"run", "engine", "kernel", "images", "means"} <= set(facts)


def test_collect_yields_relative_paths_and_bytes(bench: Bench) -> None:
    files = dict(bench.lab.collect())
    assert "nodes/carrier.log" in files and b"settled" in files["nodes/carrier.log"]
    for name, content in files.items():
        assert isinstance(content, bytes)
        assert not PurePosixPath(name).is_absolute() and ".." not in PurePosixPath(name).parts


def test_nothing_works_before_start(new: Callable[[], Bench]) -> None:
    made = new()
    with pytest.raises(LabError):
        made.lab.perform(PowerOn())
    with pytest.raises(LabError):
        made.lab.perform(Ask("client1", "echo", {"size": 1}, "x"))
    made.lab.stop()


def test_stop_is_safe_twice_and_final(bench: Bench) -> None:
    bench.lab.stop()
    bench.lab.stop()
    with pytest.raises(LabError):
        bench.lab.perform(PowerOn())
    with pytest.raises(LabError):
        bench.lab.perform(Ask("client1", "echo", {"size": 1}, "x"))
    assert isinstance(bench.lab.facts(), dict)
