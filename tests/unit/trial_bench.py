"""A small branch for trials: two stages, a client, a lab that does as it is told (FakeLab with a jumping clock)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from harness.core.entries import Check, Evidence, Need, Seen, Stage
from harness.core.faults import Applied, Doing, Expectation, Fault, Onset, Values, impair
from harness.core.machine import RunMachine
from harness.core.model import Action, Ask, Plan, Plug, PowerCut, PowerOn, TapeEntry
from harness.core.sample import build_plan
from harness.lab.fake_lab import Breakage, FakeClock, FakeLab, Reaction, answer
from harness.runner import Loop
from harness.trial.outcome import TrialOutcome, judge_trial
from harness.trial.prelude import Prelude
from harness.trial.trial import Trial

PLAN = build_plan()
CLIENT_ADDRESS = "10.20.10.100"  # of the sample plan's first segment, as in the examples of hq_reached
NODES = ("carrier", "internet", "management", "hq-gateway", "hq-endpoint", "client1", "client2", "client3")
HEARTBEATS_S = 900  # longer than any trial here


def need(source: str, kind: str) -> tuple[Need, ...]:
    return (Need(source, kind, lambda p, o: True, kind),)


STAGES = (
    Stage(
        "powered",
        10,
        "",
        "",
        lambda p: need("router", "boot.started"),
        lambda p, e: (),
        lambda p, e: "",
        lambda p, e: (PowerOn(),),
    ),
    Stage("hq_reached", 80, "", "", lambda p: need("hq-gateway", "child.installed"), lambda p, e: (), lambda p, e: ""),
)


class Sink:
    def __init__(self) -> None:
        self.entries: list[TapeEntry] = []

    def write(self, entry: TapeEntry) -> None:
        self.entries.append(entry)


@dataclass
class World:
    """What the lab does. `tunnel` false: the bring-up stops at hq_reached while the fault lasts."""

    shows: bool = True
    stops: bool = False
    serves: bool = False
    back: bool = True
    deaf: frozenset[str] = frozenset()
    """Verbs that are never answered."""
    failing: frozenset[str] = frozenset()
    """Verbs that are answered with an error."""
    impaired: set[str] = field(default_factory=set)
    was_impaired: bool = False

    def script(self, action: Action) -> Sequence[Reaction | Breakage]:
        if isinstance(action, PowerOn):
            boot = [Reaction(0.5, "router", "boot.started", {"cause": "power"})]
            beats = [
                Reaction(2.0 * n, "management", "heartbeat.received", {"serial": "X"})
                for n in range(1, HEARTBEATS_S // 2)
            ]
            return (
                boot
                + beats
                + ([] if self.stops and self.impaired else [Reaction(1.0, "hq-gateway", "child.installed")])
            )
        if isinstance(action, PowerCut | Plug):
            return ()
        return self._on_ask(action)

    def _on_ask(self, ask: Ask) -> Sequence[Reaction | Breakage]:
        if ask.ask in self.deaf:
            return ()
        error = "OSError: broken" if ask.ask in self.failing else None
        if ask.ask == "impair":
            self.impaired.add(ask.args["what"])
            self.was_impaired = True
            shown = [Reaction(0.2, "router", "tunnel.down")] if self.shows else []
            return [answer(ask, 0.1, {}, error), *shown]
        if ask.ask == "mend":
            self.impaired.discard(ask.args["what"])
            return [answer(ask, 0.1, {}, error)]
        if ask.ask == "ping":
            is_up = self.serves if self.impaired else (self.back or not self.was_impaired)
            echo = [Reaction(0.05, "hq-endpoint", "echo.received", {"source": CLIENT_ADDRESS})] if is_up else []
            return [answer(ask, 0.1 if is_up else 1.5, {"sent": 1, "received": int(is_up)}, error), *echo]
        return [answer(ask, 0.1, {}, error)]


def build_fault(
    *,
    onset: Onset,
    expectation: Expectation,
    doings: tuple[Doing, ...] = (impair("hq-gateway", "fall_silent"),),
    lasts_s: float | None = None,
    shows: Callable[[Plan, Values, Evidence], Seen | None] = lambda p, v, e: e.find_first("router", "tunnel.down"),
) -> Applied:
    fault = Fault(
        name="test_fault",
        order=1,
        family="site",
        title="a fault",
        cause="A test.",
        strikes="service",
        met="rare",
        doings=lambda p, v: doings,
        expects=lambda p, v: expectation,
        shows=shows,
        onset=onset,
        lasts_s=lambda p, v: lasts_s,
    )
    return Applied(fault, {})


@dataclass(frozen=True)
class Tried:
    trial: Trial
    outcome: TrialOutcome
    performed: tuple[Action, ...]
    tape: tuple[TapeEntry, ...]

    def count(self, verb: str) -> int:
        return sum(getattr(a, "ask", a.verb) == verb for a in self.performed)


def try_out(world: World, *applied: Applied, plan: Plan = PLAN, invariants: Sequence[Check] = ()) -> Tried:
    """Run a trial to its end in the fake lab."""
    clock = FakeClock()
    lab = FakeLab(world.script, clock, NODES)
    lab.start()
    sink = Sink()
    prelude = Prelude(plan, applied)
    Loop(prelude, lab, clock, Sink(), lambda m: None).run()
    bare = replace(plan, skip=(), only=())
    trial = Trial(bare, prelude, RunMachine(bare, STAGES, ()), invariants)
    Loop(trial, lab, clock, sink, lambda m: None).run()
    return Tried(trial, judge_trial(trial), tuple(lab.performed), tuple(sink.entries))
