"""A run told: what it came to, who says what was up when, and what was not proven."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from harness.checks import clients_isolated, matrix
from harness.checks._qos_load import LOAD_AT_S, LOAD_S, SHARE, list_urgent
from harness.checks._qos_sample import figures
from harness.core.entries import LEFT_OUT, Evidence
from harness.core.model import Finding, Observation, Plan, StageResult, Verdict
from harness.core.registry import load_checks, load_stages
from harness.core.replay import replay
from harness.core.sample import build_plan
from harness.reports.clauses import Run, gather
from harness.stages.hq_reached import PING_INTERVAL_S
from harness.story import words
from harness.story.model import Part, Story
from harness.story.parts import list_parts
from harness.story.posture import list_bearing, view_clauses
from harness.story.reach import build_reach
from harness.story.series import list_series
from tests.unit.told_runs import load, tell, tell_recorded

S = 1_000_000_000
ZERO = 100 * S
UP_AND_DOWN = "brought_up-pier-kiosk", "brought_up-harbour-office"


def seen(source: str, kind: str, at_s: float, **data: Any) -> Observation:
    at_ns = ZERO + round(at_s * S)
    return Observation(source, "core", kind, at_ns, at_ns, at_ns + 7 * S, 0, data)


# ---------------------------------------------------------------- the whole


@pytest.mark.parametrize("name", UP_AND_DOWN)
def test_stages_and_their_evidence_are_those_of_the_replay(name: str) -> None:
    story, run = tell_recorded(name), load(name)
    machine = replay(run.plan, run.tape)
    assert [(s.name, s.outcome, s.took_s, s.evidence) for s in story.stages] == [
        (r.stage, r.outcome, r.took_s, r.evidence) for r in machine.results()
    ]
    for stage in story.stages:
        deciding = {e.number for e in story.events if e.decides == stage.name}
        assert deciding == set(stage.evidence) and deciding
        last = max(e.at_s for e in story.events if e.decides == stage.name)
        assert stage.started_s is not None and stage.took_s is not None
        assert max(stage.started_s, last) == pytest.approx(stage.started_s + stage.took_s, abs=1e-6)


@pytest.mark.parametrize("name", UP_AND_DOWN)
def test_an_events_number_leads_to_what_it_tells(name: str) -> None:
    story = tell_recorded(name)
    numbers = [e.number for e in story.events if e.number is not None]
    assert sorted(numbers) == list(range(len(story.observations)))
    for event in story.events:
        if event.number is not None:
            raw = story.observations[event.number]
            assert (raw["source"], raw["at_s"]) == (event.node, event.at_s)
    lanes = {lane.name: lane.nodes for lane in story.lanes}
    assert all(e.lane == "stages" or e.node in lanes[e.lane] for e in story.events)
    assert [e.at_s for e in story.events] == sorted(e.at_s for e in story.events)
    assert story.ended_s >= max(e.at_s for e in story.events)


def test_what_was_left_out_is_not_proven_and_nothing_is_shipped() -> None:
    story = tell_recorded("brought_up-pier-kiosk")
    assert story.proven and story.decision == "undecided"
    left_out = {u.what for u in story.unproven if u.why == LEFT_OUT}
    assert left_out == {c.name for c in load_checks()}
    assert "left out" in story.headline
    assert story.why[0] == "19 checks were left out on request." and story.why[1].startswith("8 stages were reached")


def test_a_run_that_failed_names_the_first_failure_and_its_cause() -> None:
    story = tell_recorded("apn_unknown-pier-kiosk")
    assert story.decision == "do not ship" and not story.proven
    assert story.why[0].startswith("wan_obtained: ") and "Missing or unknown APN" in story.why[0]
    assert (
        story.is_diagnosed
        and story.causes[0].name == "apn_unknown"
        and any(numbers for _, numbers in story.causes[0].grounds)
    )
    blocked = {u.what: u for u in story.unproven}["tunnel_up"]
    assert (blocked.outcome, blocked.why) == ("INCONCLUSIVE", "blocked by wan_obtained")


@pytest.mark.parametrize("place", range(0, 312, 24))
def test_a_run_is_told_at_any_instant_of_it(place: int) -> None:
    run = load("brought_up-pier-kiosk")
    story = tell(run.plan, run.tape[: place + 1])
    assert story.decision == "undecided" and not story.proven
    assert story.unproven[0].what == "run" and any("broken off" in line for line in story.why)
    assert len(story.observations) == sum(e.observation is not None for e in run.tape[: place + 1])


def test_a_run_that_was_taken_up_again_proves_no_more_than_it_ran() -> None:
    run = load("brought_up-harbour-office")
    beats = [n for n, e in enumerate(run.tape) if e.observation and e.observation.kind == "config.served"]
    before, after = run.tape[1 : beats[0]], run.tape[beats[0] :]
    start = replace(run.tape[0], now_ns=after[0].now_ns)
    story = tell(replace(run.plan, since="configured"), (*before, start, *after))
    taken = [s.name for s in story.stages if s.state == "taken"]
    assert taken == ["powered", "wan_obtained", "online", "checked_in", "upgraded"]
    assert all(s.started_s is None and s.took_s is None for s in story.stages[:5])
    assert set(taken) <= {u.what for u in story.unproven if "not run again" in u.why}
    assert story.decision == "undecided" and "from configured on, resumed" in story.headline
    assert story.why[0].startswith("The run was taken up again at configured")


def test_faults_put_upon_a_run_are_told_first() -> None:
    run = load("wrong_psk-pier-kiosk")
    came = {"faults": ["wrong_psk", "weak_signal:rsrp_dbm=-121"], "outcome": "PASS", "expected": "e", "seen": "s"}
    story = tell(run.plan, run.tape, faults=came)
    assert [f["name"] for f in story.faults] == ["wrong_psk", "weak_signal"]
    assert story.faults[0]["title"] and story.faults[1]["family"] and story.faults[0]["outcome"] == "PASS"
    assert "on purpose: wrong_psk, weak_signal:rsrp_dbm=-121" in story.why[0]
    assert story.headline.endswith("with faults put upon it: wrong_psk, weak_signal:rsrp_dbm=-121")


def test_wall_clock_is_never_the_routers() -> None:
    run = load("brought_up-pier-kiosk")
    story = tell(run.plan, run.tape)
    other = next(e.observation for e in run.tape if e.observation and e.observation.source == "carrier")
    assert story.zero_wall_ns is not None
    zero_ns = other.at_ns - round(next(o["at_s"] for o in story.observations if o["source"] == "carrier") * S)
    assert abs(story.zero_wall_ns - zero_ns - (other.wall_ns - other.at_ns)) < 2 * S
    alone = tuple(e for e in run.tape if e.observation is None or e.observation.source == "router")
    assert tell(run.plan, alone).zero_wall_ns is None


def test_a_node_that_is_none_of_the_plans_is_noted() -> None:
    run = load("brought_up-harbour-office")
    entry = next(e for e in run.tape if e.observation is not None)
    assert entry.observation is not None
    strange = replace(entry, observation=replace(entry.observation, source="nobody"))
    story = tell(run.plan, (*run.tape, strange))
    assert "1 events of nobody are not shown: no node of the plan" in story.notes
    assert all(e.node != "nobody" for e in story.events) and story.observations[-1]["source"] == "nobody"


# ---------------------------------------------------------------- the decision


def _verdict(*outcomes: str, **facts: Any) -> Verdict:
    found: list[Any] = [Finding("c", o, "", "", "") for o in outcomes]  # type: ignore[arg-type]
    stage = StageResult("powered", "PASS", 1.0, 5.0, "", ())
    return Verdict(all(o in ("PASS", "NOT_APPLICABLE") for o in outcomes), (stage,), tuple(found), facts)


def test_only_what_was_proven_whole_is_shipped() -> None:
    plan, fault = build_plan(), {"text": "x"}
    assert words.decide(_verdict("PASS", "NOT_APPLICABLE"), plan, True, ()) == "ship"
    assert words.decide(_verdict("PASS"), plan, False, ()) == "undecided"
    assert words.decide(_verdict("PASS"), plan, True, (fault,)) == "undecided"
    assert words.decide(_verdict("PASS", left_out=["qos"]), plan, True, ()) == "undecided"
    assert words.decide(_verdict("PASS"), replace(plan, until="powered"), True, ()) == "undecided"
    assert words.decide(_verdict("PASS"), replace(plan, since="online"), True, ()) == "undecided"
    assert words.decide(_verdict("PASS", "INCONCLUSIVE"), plan, True, ()) == "undecided"


@pytest.mark.parametrize("plan", [build_plan(), replace(build_plan(), until="powered")])
@pytest.mark.parametrize("is_done", [True, False])
def test_what_failed_is_not_shipped_whatever_else_there_is(plan: Plan, is_done: bool) -> None:
    assert words.decide(_verdict("PASS", "FAIL", "INCONCLUSIVE"), plan, is_done, ({"text": "x"},)) == "do not ship"


def _unproven(plan: Plan, facts: Any = None) -> dict[str, str]:
    return {u.what: u.why for u in words.list_unproven(plan, (), (), facts or {}, True)}


def test_what_comes_after_the_end_was_not_tried() -> None:
    run = load("brought_up-pier-kiosk")
    story = tell(replace(run.plan, until="online"), run.tape)
    untried = {u.what for u in story.unproven if "to end with online" in u.why}
    assert {s.name for s in load_stages()} == untried & {s.name for s in load_stages()} | {s.name for s in story.stages}
    assert {c.name for c in load_checks()} <= untried | {c.name for c in story.checks}
    assert story.decision == "undecided" and "as far as online" in story.headline


def test_compressed_waits_are_not_proven() -> None:
    assert "boot 0.5 s" in _unproven(build_plan())["pace"]
    assert "pace" not in _unproven(replace(build_plan(), pace="field"))


def test_a_block_that_was_not_waited_out_is_not_proven() -> None:
    assert "not waited out" in _unproven(build_plan())["lockout"]
    assert "lockout" not in _unproven(replace(build_plan(), soak=True))
    assert "lockout" not in _unproven(replace(build_plan(), skip=("lockout",)))


def test_means_that_were_not_tried_are_named_once() -> None:
    esp = {"what": "esp", "means": "userspace", "reason": "no kernel ESP"}
    vain = {"what": "nat_times", "means": "nft", "reason": "", "node": "carrier"}
    means = [{**esp, "node": "router"}, {**esp, "node": "hq-gateway"}, {**esp, "node": "router"}, vain]
    found = _unproven(build_plan(), {"means": means})
    assert found["means.esp"] == "router and hq-gateway used userspace: no kernel ESP"
    assert "means.nat_times" not in found


ODD = (None, True, 1.5, "means", [None], [[]], [{}], {}, [{"reason": {}}], [{"reason": ["x"], "what": {}, "means": 3}])


@pytest.mark.parametrize("value", ODD)
def test_facts_of_any_shape_are_told(value: Any) -> None:
    assert "pace" in _unproven(build_plan(), {"means": value})


# ---------------------------------------------------------------- what was up when


def _draw(*observations: Observation, plan: Plan | None = None, ended_s: float = 100.0) -> dict[str, Part]:
    parts = list_parts(plan or build_plan(), observations, ZERO, ZERO + round(ended_s * S))
    return {p.name: p for p in parts}


def _states(part: Part) -> list[tuple[float, float | None, str]]:
    return [(s.since_s, s.until_s, s.state) for s in part.spans]


def test_what_was_never_seen_was_never_up() -> None:
    parts = _draw()
    assert all(p.spans == () for p in parts.values())
    ends = {end for p in parts.values() for end in p.ends}
    assert ends <= {name for name, p in parts.items() if p.kind == "node"}
    assert "fixed" not in parts and parts["tunnel"].kind == "tunnel"
    fixed = replace(build_plan(), branch=replace(build_plan().branch, uplinks=("ethernet",)))
    assert "bearer" not in _draw(plan=fixed) and "fixed" in _draw(plan=fixed)


def test_a_router_without_power_is_dark_since_it_was_last_heard() -> None:
    imsi = build_plan().branch.sims[0].imsi
    parts = _draw(
        seen("router", "boot.started", 1.0, boot_count=1, cause="power"),
        seen("carrier", "pdn.granted", 2.0, imsi=imsi, apn="a", address="100.64.0.2"),
        seen("router", "uplink.up", 3.0),
        seen("router", "boot.started", 9.0, boot_count=2, cause="power"),
        seen("carrier", "pdn.granted", 12.0, imsi=imsi, apn="a", address="100.64.0.2"),
    )
    assert _states(parts["router"]) == [(1.0, 3.0, "up"), (3.0, 9.0, "down"), (9.0, None, "up")]
    assert _states(parts["bearer"]) == [(2.0, 9.0, "up"), (9.0, 12.0, "down"), (12.0, None, "up")]
    assert parts["bearer"].spans[0].why == "the carrier grants a the address 100.64.0.2"


def test_a_bearer_of_another_branch_is_not_ours() -> None:
    assert _draw(seen("carrier", "pdn.granted", 2.0, imsi="1"))["bearer"].spans == ()


def test_a_bearer_outlives_a_cut_of_its_link_unless_the_router_gives_it_up() -> None:
    granted = seen("carrier", "pdn.granted", 1.0, imsi=build_plan().branch.sims[0].imsi)
    cut, back = (seen("carrier", kind, at, name="radio") for kind, at in (("link.cut", 5.0), ("link.restored", 8.0)))
    assert _states(_draw(granted, cut, back)["bearer"]) == [(1.0, 5.0, "up"), (5.0, 8.0, "down"), (8.0, None, "up")]
    given_up = seen("router", "uplink.down", 6.0, uplink="cellular", reason="health")
    assert _states(_draw(granted, cut, given_up, back)["bearer"]) == [(1.0, 5.0, "up"), (5.0, None, "down")]
    lost = seen("router", "registration.changed", 4.0, stat=2)
    assert _states(_draw(granted, lost)["bearer"]) == [(1.0, 4.0, "up"), (4.0, None, "down")]


def test_the_tunnel_is_what_hq_holds_of_this_branch() -> None:
    peer = build_plan().branch.tunnel.local_id
    first, heir = (seen("hq-gateway", "child.installed", at, peer=peer, esp="e") for at in (1.0, 50.0))
    gone = [seen("hq-gateway", "child.removed", at, peer=peer) for at in (51.0, 60.0)]
    stranger = seen("hq-gateway", "child.installed", 0.5, peer="another")
    boast = seen("router", "tunnel.up", 0.2)
    assert _states(_draw(boast, stranger, first)["tunnel"]) == [(1.0, None, "up")]
    assert _states(_draw(first, heir, gone[0])["tunnel"]) == [(1.0, None, "up")], "a rekeyed child has an heir"
    assert _states(_draw(first, heir, *gone)["tunnel"]) == [(1.0, 60.0, "up"), (60.0, None, "down")]
    anew = seen("hq-gateway", "ike.started", 30.0)
    assert _states(_draw(first, anew, heir)["tunnel"]) == [(1.0, 30.0, "up"), (30.0, 50.0, "down"), (50.0, None, "up")]


def test_a_session_lasts_as_long_as_management_hears_the_device() -> None:
    serial, beat_s = build_plan().branch.serial, build_plan().branch.heartbeat_s
    beats = [seen("management", "heartbeat.received", at, serial=serial) for at in (1.0, 1.0 + 3.9 * beat_s, 95.0)]
    parts = _draw(*beats, ended_s=96.0)
    quiet_s = 1.0 + 3.9 * beat_s
    assert _states(parts["session"]) == [(1.0, quiet_s, "up"), (quiet_s, 95.0, "down"), (95.0, None, "up")]
    assert _states(_draw(*beats[:1], ended_s=96.0)["session"])[-1] == (1.0, None, "down")
    assert _draw(seen("management", "heartbeat.received", 1.0, serial="another's"))["session"].spans == ()


def test_a_port_is_up_once_its_client_has_a_lease() -> None:
    leased = seen("client2", "lease.obtained", 5.0, address="10.20.30.100")
    none = seen("client2", "command.done", 30.0, verb="lease", ok=False, error="LeaseError: no DHCP lease within 8 s")
    lost = seen("client2", "command.done", 32.0, verb="ping", ok=True, result={"sent": 1, "received": 0})
    echo = seen("client2", "command.done", 40.0, verb="ping", ok=True, result={"sent": 1, "received": 1})
    states = _states(_draw(leased, none, lost, echo)["lan2"])
    assert states == [(5.0, 30.0, "up"), (30.0, 40.0, "down"), (40.0, None, "up")]


@pytest.mark.parametrize("name", UP_AND_DOWN)
def test_in_service_everything_is_up_at_the_end(name: str) -> None:
    story = tell_recorded(name)
    joined = [p for p in story.parts if p.kind != "node" and not p.name.startswith("lan")]
    assert {p.name for p in joined} >= {"session", "tunnel"}
    first = load(name).plan.branch.uplinks[0]
    shown = [p for p in joined if p.name not in ("bearer", "fixed")]
    shown += [p for p in joined if p.name == {"cellular": "bearer", "ethernet": "fixed"}[first]]
    assert all(p.spans[-1].state == "up" and p.spans[-1].until_s is None for p in shown)
    for part in story.parts:
        assert all(a.until_s == b.since_s and a.state != b.state for a, b in pairwise(part.spans))


# ---------------------------------------------------------------- reach, clauses, series


@pytest.mark.parametrize("name", ["brought_up-pier-kiosk", "brought_up-harbour-office", "endpoint_down-workshop"])
def test_every_finding_of_the_matrix_has_its_cell(name: str) -> None:
    plan = load(name).plan
    findings = [*matrix.judge(plan, Evidence()), *clients_isolated.judge(plan, Evidence())]
    judged = [f for f in findings if f.outcome != "NOT_APPLICABLE"]
    reach = build_reach(plan, findings)
    assert judged and sorted((c.expected, c.seen) for c in reach.cells) == sorted((f.expected, f.seen) for f in judged)
    assert {c.source for c in reach.cells} <= set(reach.sources)
    assert {c.target for c in reach.cells} == set(reach.targets)
    for cell in reach.cells:
        claims = {f"{cell.source} to {cell.target}", *(f.claim for f in judged if f.check == "clients_isolated")}
        assert any(f.claim in claims and f.expected == cell.expected for f in judged)


def test_a_matrix_that_was_not_tried_has_no_cell() -> None:
    plan = build_plan()
    assert build_reach(plan, [Finding("matrix", "INCONCLUSIVE", "its title", "", "blocked")]).sources == ()


def test_clauses_are_those_of_the_list_by_clause() -> None:
    plan, check = build_plan(), next(c for c in load_checks() if c.name == "matrix")
    found = (Finding("matrix", "FAIL", "a", "", ""), Finding("matrix", "PASS", "b", "", ""))
    verdict = Verdict(False, (), (*found, Finding("qos", "INCONCLUSIVE", "c", "", "blocked")), {})
    views = {v.clause: v for v in view_clauses(plan, verdict)}
    gathered = gather([Run("", verdict, list_bearing(plan))])
    assert list(views) == list(gathered)
    for clause in check.clauses:
        assert views[clause].outcome == "FAIL" and views[clause].checks[0] == "matrix"
    assert {v.outcome for v in views.values() if not v.checks} == {"NOT_APPLICABLE"}
    open_ones = [v for v in views.values() if v.checks == ("qos",)]
    assert open_ones and all(v.outcome == "INCONCLUSIVE" for v in open_ones)


def test_a_check_that_could_not_look_takes_nothing_from_one_that_did() -> None:
    clauses = {c.name: set(c.clauses) for c in load_checks()}
    shared = clauses["matrix"] & clauses["clients_isolated"]
    found = (Finding("matrix", "PASS", "a", "", ""), Finding("clients_isolated", "INCONCLUSIVE", "b", "", "blocked"))
    views = {v.clause: v for v in view_clauses(build_plan(), Verdict(False, (), found, {}))}
    assert shared and all(views[clause].outcome == "PASS" for clause in shared)


def test_quantities_are_those_that_were_measured() -> None:
    rtts = [50.0, float("nan"), "x", 60.0]
    fetched = {"bytes": 1_000_000, "took_s": 2.0}
    found = {
        s.name: s
        for s in list_series(
            build_plan(),
            [
                seen("client1", "command.done", 9.0, verb="ping", ok=True, result={"rtts_ms": rtts}),
                seen("hq-endpoint", "command.done", 9.0, verb="ping", ok=True, result={"rtts_ms": [1.0]}),
                seen("router", "signal.measured", 2.0, rsrp_dbm=-90, rsrq_db=None),
                seen("router", "image.fetched", 4.0, **fetched),
                seen("router", "image.fetched", 5.0, bytes=9, took_s=0),
            ],
            ZERO,
        )
    }
    assert found["rtt"].points == ((9.0 - PING_INTERVAL_S, 50.0), (9.0, 60.0)) and found["rtt"].limit == 250.0
    assert found["rsrp"].points == ((2.0, -90.0),) and "rsrq" not in found
    assert found["image"].points == ((4.0, 4.0),) and "transfer" not in found


def test_a_class_is_drawn_as_it_arrived_while_the_uplink_was_full() -> None:
    plan = build_plan()
    assert plan.branch.qos is not None
    series = {s.name: s for s in list_series(plan, figures(plan), 0, 10_000_000)}
    drawn = {s.name.removeprefix("qos."): s for s in series.values() if s.name.startswith("qos.")}
    assert set(drawn) == {one.name for one in plan.branch.qos.classes}
    for place, one in list_urgent(plan.branch.qos):
        points = drawn[one.name].points
        assert drawn[one.name].limit == one.guaranteed_bps / 1e6
        assert len(points) == round(LOAD_S * 10) and points[0][0] == pytest.approx(1.0 + LOAD_AT_S - 0.01)
        mean = sum(value for _, value in points) / len(points)
        assert mean == pytest.approx(one.guaranteed_bps * SHARE / 1e6, rel=0.05), place
    total = sum(value for s in drawn.values() for _, value in s.points) / round(LOAD_S * 10)
    assert total == pytest.approx(plan.branch.qos.uplink_bps / 1e6, rel=0.05), "the uplink was full"


@pytest.mark.parametrize("name", UP_AND_DOWN)
def test_the_same_run_is_told_the_same(name: str) -> None:
    run = load(name)
    again: Story = tell(run.plan, run.tape, is_diagnosed=True)
    assert again == tell_recorded(name)
