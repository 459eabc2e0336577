"""Laws of trials whatever the lab does: every trouble that was begun is ended once, and every trial comes to an end."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.faults import BEFORE_POWER, IN_SERVICE, Expectation, Onset, cut_power, impair
from harness.core.model import Ask, PowerCut, PowerOn
from tests.unit.trial_bench import World, build_fault, try_out

VERBS = ("impair", "mend", "ping", "lease")

worlds = st.builds(
    World,
    shows=st.booleans(),
    stops=st.booleans(),
    serves=st.booleans(),
    back=st.booleans(),
    deaf=st.frozensets(st.sampled_from(VERBS)),
    failing=st.frozensets(st.sampled_from(VERBS)),
)
expectations = st.builds(
    Expectation,
    stage=st.sampled_from([None, "hq_reached"]),
    serves=st.sampled_from([True, False, None]),
    back_within_s=st.floats(1, 60),
    causes=st.just(("test_fault",)),
    why=st.just(""),
)
faults = st.builds(
    build_fault,
    onset=st.sampled_from([BEFORE_POWER, IN_SERVICE, Onset("powered")]),
    expectation=expectations,
    doings=st.sampled_from([(impair("hq-gateway", "fall_silent"),), (impair("router", "hang_modem"),)]),
    lasts_s=st.sampled_from([None, 0.0, 1.0, 20.0]),
)
power_cuts = st.builds(
    build_fault,
    onset=st.sampled_from([IN_SERVICE, Onset("powered")]),
    expectation=st.builds(Expectation, st.none(), st.none(), st.floats(1, 60), st.just(()), st.just("")),
    doings=st.just((cut_power(),)),
    lasts_s=st.sampled_from([0.0, 2.0]),
)


@settings(max_examples=60, deadline=None)
@given(worlds, st.lists(faults, min_size=1, max_size=3))
def test_every_trouble_begun_is_ended_once_and_after_it_began(world: World, applied: list) -> None:  # type: ignore[type-arg]
    tried = try_out(world, *applied)
    assert tried.trial.done
    asks = [a for a in tried.performed if isinstance(a, Ask) and a.ask in ("impair", "mend")]
    for place in range(len(applied)):
        verbs = [a.ask for a in asks if a.label.split(".")[2] == str(place)]
        assert verbs in ([], ["impair", "mend"])


@settings(max_examples=60, deadline=None)
@given(worlds, power_cuts, faults, st.booleans())
def test_power_is_given_again_after_every_cut(world: World, cut: object, fault: object, is_cut_first: bool) -> None:
    """And the router is asked for nothing in between: the lab would break."""
    tried = try_out(world, *((cut, fault) if is_cut_first else (fault, cut)))
    power = [type(a) for a in tried.performed if isinstance(a, PowerOn | PowerCut)]
    assert power in ([PowerOn], [PowerOn, PowerCut, PowerOn])


@settings(max_examples=40, deadline=None)
@given(worlds, faults)
def test_nothing_passes_without_a_bite_a_return_and_a_bench_that_did_its_part(world: World, fault: object) -> None:
    tried = try_out(world, fault)
    if tried.outcome.outcome == "PASS":
        assert world.shows and tried.trial.broken is None and tried.outcome.back_s is not None
        assert not ({"impair", "mend"} & (world.deaf | world.failing))


def test_an_impairment_is_named_in_both_asks() -> None:
    doing = impair("carrier", "forget_apns")
    assert [a.args["what"] for a in (*doing.on, *doing.off) if isinstance(a, Ask)] == ["forget_apns", "forget_apns"]
