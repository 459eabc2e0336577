"""What is done for a fault and has an end of its own: a moved cable, the router's power, a client that asks anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from harness.core.faults import IN_SERVICE, Applied, Doing, Expectation, Onset, cut_power, impair
from harness.core.model import Ask, Plug
from harness.faults import rogue_dhcp
from harness.invariants import leases_from_router
from harness.invariants.comes_back_to_management import find_gone
from harness.lab.fake_lab import Breakage, Reaction, answer
from tests.unit.trial_bench import World, build_fault, try_out

BRIEF = Expectation(stage=None, serves=None, back_within_s=30.0, causes=("test_fault",), why="")


def test_the_end_of_a_moved_cable_is_seen() -> None:
    fault = build_fault(
        onset=IN_SERVICE,
        expectation=BRIEF,
        doings=(Doing((Plug("fixed", "lan2"),), (Plug("fixed", "fixed"),)),),
        lasts_s=2.0,
        shows=lambda p, v, e: e.find_last("internet", "command.done"),
    )
    tried = try_out(World(), fault)
    doings = [a for a in tried.performed if isinstance(a, Plug) or getattr(a, "ask", "") == "clock"]
    labels = [getattr(a, "label", a.verb) for a in doings]
    assert labels == ["plug", "bench.on.0.0", "plug", "bench.off.0.0"]  # each answer is of after the move
    assert find_gone(tried.trial.evidence) == tried.trial.gone_ns
    assert tried.outcome.outcome == "PASS"


CUT = build_fault(
    onset=Onset("powered"),
    expectation=BRIEF,
    doings=(cut_power(),),
    lasts_s=2.0,
    shows=lambda p, v, e: (e.find_all("router", "boot.started")[1:] or (None,))[0],
)


@pytest.mark.parametrize("cut_onset", [Onset("powered"), IN_SERVICE])
@pytest.mark.parametrize("onset", [Onset("powered"), IN_SERVICE])
@pytest.mark.parametrize("is_cut_first", [True, False])
def test_a_router_is_asked_only_while_it_has_power(cut_onset: Onset, onset: Onset, is_cut_first: bool) -> None:
    asking = build_fault(
        onset=onset,
        expectation=BRIEF,
        doings=(impair("router", "hang_modem"),),
        lasts_s=3.0,
        shows=lambda p, v, e: e.find_first("router", "command.done"),
    )
    cut = replace(CUT, fault=replace(CUT.fault, name="cut", onset=cut_onset))
    applied = (cut, asking) if is_cut_first else (asking, cut)
    tried = try_out(World(), *applied)
    verbs = [getattr(a, "ask", a.verb) for a in tried.performed]
    verbs = [v for v in verbs if v not in ("ping", "lease")]
    is_told_before = onset != cut_onset == IN_SERVICE
    deferred = ["power_on", "power_cut", "power_on", "impair", "mend"]
    assert verbs == (["power_on", "impair", "power_cut", "power_on", "mend"] if is_told_before else deferred)
    assert (tried.outcome.outcome, tried.trial.broken) == ("PASS", None)


class Slow(World):
    """A router that takes its time to answer."""

    def _on_ask(self, ask: Ask) -> Sequence[Reaction | Breakage]:
        return [answer(ask, 5.0, {})] if ask.node == "router" else super()._on_ask(ask)


def test_a_router_that_is_to_answer_is_not_cut_before_it_has() -> None:
    asking = build_fault(
        onset=Onset("powered"),
        expectation=BRIEF,
        doings=(impair("router", "hang_modem"),),
        lasts_s=3.0,
        shows=lambda p, v, e: e.find_first("router", "command.done"),
    )
    onset = Onset("powered", lambda p, v, e: e.find_first("hq-gateway", "child.installed"))  # no answer yet
    tried = try_out(Slow(), asking, replace(CUT, fault=replace(CUT.fault, name="cut", onset=onset)))
    assert (tried.outcome.outcome, tried.trial.broken) == ("PASS", None)


def test_a_second_cut_waits_for_the_power_that_the_first_one_took() -> None:
    tried = try_out(World(), CUT, replace(CUT, fault=replace(CUT.fault, name="other")))
    power = [a.verb for a in tried.performed if not isinstance(a, Ask)]
    assert power == ["power_on", "power_cut", "power_on", "power_cut", "power_on"]
    assert tried.trial.broken is None


ROGUE = Applied(rogue_dhcp.FAULT, {})
OWN, BOX = "10.20.30.1", "192.0.2.1"


class Cafe(World):
    """Two guests, and a box. `gets`: the gateway that a guest who asks is given by each while the box is there."""

    gets: str | None = OWN
    hears: bool = True
    gets_after: str | None = OWN

    def _on_ask(self, ask: Ask) -> Sequence[Reaction | Breakage]:
        if ask.ask == "impair" and self.hears:
            heard = Reaction(0.2, "router", "dhcp.server_refused", {"port": 3, "server": BOX})
            return [*super()._on_ask(ask), heard]
        if ask.ask == "lease" and ask.node == "client2":
            gateway = self.gets if self.impaired else self.gets_after
            if gateway is None:
                return [answer(ask, 20.0, None, "LeaseError: lan2: no DHCP lease within 20.0 s")]
            return [Reaction(1.0, "client2", "lease.obtained", {"router": gateway}), answer(ask, 1.1, {})]
        return super()._on_ask(ask)


@pytest.mark.parametrize(
    ("gets", "hears", "gets_after", "outcome", "seen"),
    [
        (OWN, True, OWN, "PASS", "2 leases, all of the router's"),
        (BOX, False, OWN, "FAIL", "client2 led elsewhere, by 192.0.2.1"),
        (BOX, True, OWN, "FAIL", "client2 led elsewhere, by 192.0.2.1"),  # told of, and not kept out
        (None, False, OWN, "FAIL", "client2 asked, and got none"),
        (None, True, OWN, "FAIL", "client2 asked, and got none"),
        (OWN, True, None, "FAIL", "client2 asked, and got none"),
        (OWN, False, OWN, "INCONCLUSIVE", "2 leases, all of the router's"),  # nobody heard the box: was it there?
    ],
)
def test_a_device_that_lets_a_box_win_fails(
    gets: str | None, hears: bool, gets_after: str | None, outcome: str, seen: str
) -> None:
    world = Cafe(serves=True)
    world.gets, world.hears, world.gets_after = gets, hears, gets_after
    tried = try_out(world, ROGUE, invariants=(leases_from_router.INVARIANT,))
    assert (tried.outcome.outcome, tried.trial.broken) == (outcome, None)
    finding = next(f for f in tried.outcome.findings if f.check == "leases_from_router")
    assert finding.seen == seen
    assert (finding.outcome == "FAIL") is (outcome == "FAIL")


def test_a_client_that_could_not_ask_is_no_failure_of_the_device() -> None:
    world = World(serves=True, failing=frozenset({"lease"}))
    tried = try_out(world, ROGUE, invariants=(leases_from_router.INVARIANT,))
    assert tried.outcome.outcome == "INCONCLUSIVE"
    assert tried.trial.broken is not None and "OSError" in tried.trial.broken
