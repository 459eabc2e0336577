"""What comes of a trial, case by case: each way to pass wrongly is a case that does not pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from harness.core.entries import Evidence, Seen
from harness.core.faults import BEFORE_POWER, IN_SERVICE, Expectation, Onset, Values, cut_power
from harness.core.machine import RunMachine
from harness.core.model import Ask, Plan, PowerCut, PowerOn
from harness.core.replay import replay
from harness.core.sample import saw
from harness.core.timing import to_ns
from harness.lab.fake_lab import Breakage, Reaction, answer
from harness.trial.clean import CleanCheck, find_down
from harness.trial.service import has_looked
from tests.unit.trial_bench import CLIENT_ADDRESS, PLAN, STAGES, World, build_fault, try_out

LOST = Expectation(stage=None, serves=False, back_within_s=30.0, causes=("test_fault",), why="")
STOPPED = replace(LOST, stage="hq_reached")
RIDDEN = replace(LOST, serves=True)
BRIEF = replace(LOST, serves=None)


def outcome_of(world: World, expectation: Expectation, onset: Onset = IN_SERVICE) -> str:
    return try_out(world, build_fault(onset=onset, expectation=expectation)).outcome.outcome


def test_a_branch_that_loses_service_and_is_back_in_time_is_as_expected() -> None:
    tried = try_out(World(), build_fault(onset=IN_SERVICE, expectation=LOST))
    assert tried.outcome.outcome == "PASS"
    assert tried.outcome.seen == "no service"
    assert tried.outcome.back_s is not None and 0 <= tried.outcome.back_s <= 30


@pytest.mark.parametrize(
    ("world", "expectation", "outcome"),
    [
        (World(shows=False), LOST, "INCONCLUSIVE"),  # the fault was not there
        (World(back=False), LOST, "FAIL"),  # never back
        (World(serves=True), LOST, "FAIL"),  # it bit nobody
        (World(serves=True), RIDDEN, "PASS"),
        (World(), RIDDEN, "FAIL"),  # service is lost, and should not be
        (World(), STOPPED, "FAIL"),  # it should have stopped the bring-up
        (World(failing=frozenset({"impair"})), LOST, "INCONCLUSIVE"),  # the bench could not
        (World(failing=frozenset({"mend"})), LOST, "INCONCLUSIVE"),
        (World(deaf=frozenset({"impair"})), LOST, "INCONCLUSIVE"),
        (World(deaf=frozenset({"mend"})), LOST, "INCONCLUSIVE"),
        (World(deaf=frozenset({"ping"})), LOST, "INCONCLUSIVE"),  # the bench could not look
        (World(failing=frozenset({"ping"})), LOST, "INCONCLUSIVE"),
        (World(deaf=frozenset({"ping"})), RIDDEN, "INCONCLUSIVE"),
    ],
)
def test_what_comes_of_a_fault_in_service(world: World, expectation: Expectation, outcome: str) -> None:
    assert outcome_of(world, expectation) == outcome


@pytest.mark.parametrize(
    ("world", "expectation", "outcome"),
    [
        (World(stops=True), STOPPED, "PASS"),
        (World(stops=True), LOST, "FAIL"),  # stopped, and should not have been
        (World(stops=False), STOPPED, "FAIL"),
        (World(stops=True, back=False), STOPPED, "FAIL"),
    ],
)
def test_what_comes_of_a_fault_before_power(world: World, expectation: Expectation, outcome: str) -> None:
    assert outcome_of(world, expectation, BEFORE_POWER) == outcome


def test_what_sets_in_before_power_is_answered_before_power_is_given() -> None:
    performed = try_out(World(stops=True), build_fault(onset=BEFORE_POWER, expectation=STOPPED)).performed
    verbs = [getattr(a, "ask", a.verb) for a in performed]
    assert verbs.index("impair") < verbs.index("power_on") < verbs.index("mend")


def test_a_fault_whose_stage_is_never_reached_was_not_tried() -> None:
    world = World(stops=True)
    world.impaired.add("something else")
    tried = try_out(world, build_fault(onset=IN_SERVICE, expectation=LOST))
    assert tried.outcome.outcome == "FAIL"  # the bring-up stopped, and should not have
    assert (tried.count("impair"), tried.count("mend")) == (0, 0)


def test_a_power_cut_is_ended_after_its_time_and_the_branch_is_looked_at() -> None:
    fault = build_fault(
        onset=IN_SERVICE,
        expectation=BRIEF,
        doings=(cut_power(),),
        lasts_s=2.0,
        shows=lambda p, v, e: (e.find_all("router", "boot.started")[1:] or (None,))[0],
    )
    tried = try_out(World(), fault)
    assert tried.outcome.outcome == "PASS"
    assert [type(a) for a in tried.performed if not isinstance(a, Ask)] == [PowerOn, PowerCut, PowerOn]


def test_several_faults_are_undone_in_reverse_order() -> None:
    one = build_fault(onset=IN_SERVICE, expectation=LOST)
    two = build_fault(onset=IN_SERVICE, expectation=LOST)
    other = replace(two, fault=replace(two.fault, name="other"))
    tried = try_out(World(), one, other)
    labels = [a.label for a in tried.performed if isinstance(a, Ask) and a.ask in ("impair", "mend")]
    assert labels == ["bench.on.0.0", "bench.on.1.0", "bench.off.1.0", "bench.off.0.0"]
    assert tried.outcome.outcome == "PASS"


def test_of_several_faults_the_one_that_set_in_last_is_undone_first() -> None:
    late = build_fault(onset=IN_SERVICE, expectation=LOST)
    early = build_fault(onset=BEFORE_POWER, expectation=LOST)
    tried = try_out(World(), late, replace(early, fault=replace(early.fault, name="early")))
    labels = [a.label for a in tried.performed if isinstance(a, Ask) and a.ask in ("impair", "mend")]
    assert labels == ["bench.on.1.0", "bench.on.0.0", "bench.off.0.0", "bench.off.1.0"]


def test_the_tape_of_a_trial_replays_to_the_same_bring_up() -> None:
    tried = try_out(World(stops=True), build_fault(onset=BEFORE_POWER, expectation=STOPPED))
    again: RunMachine = replay(PLAN, tried.tape, STAGES, ())
    assert again.results() == tried.trial.machine.results()
    assert list(again.evidence) == list(tried.trial.machine.evidence)


def test_a_probe_that_breaks_while_the_cause_lasts_is_no_loss_of_service() -> None:
    tried = try_out(World(failing=frozenset({"ping"})), build_fault(onset=IN_SERVICE, expectation=LOST))
    assert tried.outcome.serves is None
    assert "FAIL" not in {f.outcome for f in tried.outcome.findings}


def test_a_branch_none_of_whose_clients_may_reach_hq_is_not_looked_at() -> None:
    portless = tuple(replace(s, ports=()) for s in PLAN.branch.segments)
    plan = replace(PLAN, branch=replace(PLAN.branch, segments=portless))
    for expectation in (LOST, RIDDEN):
        tried = try_out(World(), build_fault(onset=IN_SERVICE, expectation=expectation), plan=plan)
        assert tried.outcome.outcome == "INCONCLUSIVE"
        assert tried.outcome.serves is None


class Doorman(World):
    """A client whose port lets it in only when HQ's log-in server says so: until it gives up, and gets no lease."""

    def _on_ask(self, ask: Ask) -> Sequence[Reaction | Breakage]:
        if ask.ask == "lease" and self.impaired:
            return [answer(ask, 35.0, None, "LeaseError: lan1: no DHCP lease within 8.0 s")]
        return super()._on_ask(ask)


def test_a_branch_is_out_of_service_once_a_look_has_said_so() -> None:
    """The usual time of a look, with this plan's heartbeats, is 30 s."""
    tried = try_out(Doorman(stops=True), build_fault(onset=BEFORE_POWER, expectation=STOPPED))
    assert (tried.outcome.outcome, tried.outcome.serves) == ("PASS", False)
    gone_ns = tried.trial.gone_ns or 0
    assert has_looked(Evidence(s for s in tried.trial.evidence if s.at_ns < gone_ns), "look")


def test_what_happened_before_a_fault_set_in_does_not_show_it() -> None:
    fault = build_fault(
        onset=IN_SERVICE, expectation=LOST, shows=lambda p, v, e: e.find_first("hq-gateway", "child.installed")
    )
    tried = try_out(World(), fault)
    assert tried.outcome.outcome == "INCONCLUSIVE"
    assert tried.trial.find_shown(tried.trial.notes[0]) is None


@pytest.mark.parametrize(("heartbeat_s", "outcome"), [(2.0, "FAIL"), (60.0, "PASS")])
def test_a_branch_that_is_heard_rarely_is_known_to_be_back_later(heartbeat_s: float, outcome: str) -> None:
    plan = replace(PLAN, branch=replace(PLAN.branch, heartbeat_s=heartbeat_s))
    at_once = replace(LOST, back_within_s=0.05)  # an echo alone takes longer in this lab
    tried = try_out(World(), build_fault(onset=IN_SERVICE, expectation=at_once), plan=plan)
    assert tried.outcome.outcome == outcome


def test_a_profile_that_looks_for_a_silent_peer_late_has_its_trials_wait_for_it() -> None:
    shown_s = 100.0  # after the fault set in: with 90 s until a peer is looked for, and the requests in vain

    def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
        down = evidence.find_first("router", "tunnel.down")
        late = [s for s in evidence if down is not None and s.at_ns >= down.at_ns + to_ns(shown_s)]
        return late[0] if late else None

    plan = replace(PLAN, branch=replace(PLAN.branch, tunnel=replace(PLAN.branch.tunnel, dpd_s=90)))
    tried = try_out(World(), build_fault(onset=IN_SERVICE, expectation=LOST, shows=shows), plan=plan)
    mended = next(n.gone_ns for n in tried.trial.notes)
    shown = tried.trial.find_shown(tried.trial.notes[0])
    assert shown is not None and mended is not None and shown.at_ns < mended
    assert tried.outcome.outcome == "PASS"


def test_a_lab_is_clean_once_nothing_is_impaired_uplinks_are_up_and_the_branch_serves() -> None:
    """An uplink that a trial left down may come up late: the next trial must not begin on the other one."""
    left = Evidence((Seen(0, saw("router/runtime", "uplink.down", 1.0, uplink="ethernet", reason="no carrier")),))
    assert find_down(left) == {"ethernet"}
    up = saw("router/runtime", "uplink.up", 2.0, uplink="ethernet")
    assert find_down(Evidence((*left, Seen(1, up)))) == frozenset()
    seen = (
        saw("carrier", "command.done", 3.0, ok=True, result={"under_way": []}, label="bench.impaired.carrier"),
        saw("hq-endpoint", "echo.received", 3.1, source=CLIENT_ADDRESS),
        saw("client1", "command.done", 3.2, verb="ping", ok=True, result={"received": 1}, label="bench.clean.1"),
        saw("management", "heartbeat.received", 3.3, serial="X"),
    )  # fmt: skip
    for down, also, clean in ((frozenset(), (), True), ({"ethernet"}, (), False), ({"ethernet"}, (up,), True)):
        check = CleanCheck(PLAN, ("carrier",), frozenset(down))
        check.start(0)
        for observation in (*also, *seen):
            check.on_observation(observation, observation.at_ns)
        assert check.is_clean is clean
    impaired = CleanCheck(PLAN, ("carrier",))
    impaired.start(0)
    for observation in (replace(seen[0], data={**seen[0].data, "result": {"under_way": ["x"]}}), *seen[1:]):
        impaired.on_observation(observation, observation.at_ns)
    assert not impaired.is_clean
