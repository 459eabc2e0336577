"""A run taken up again: what may be, what is taken along, what the stand-ins are told, what the machine makes of it."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from harness.core.entries import Evidence, Need, Stage
from harness.core.machine import RunMachine
from harness.core.model import Ask, Observation, Plan, TapeEntry
from harness.core.paths import list_differences
from harness.core.replay import replay
from harness.core.resumption import find_reason, find_unseen, part_news, take_along
from harness.core.sample import build_plan
from harness.core.timing import SETTLE_NS
from harness.core.verdict import combine
from harness.lab.orders import build_orders
from harness.lab.papers import Papers, PapersError, parse_papers, render_papers
from harness.reports.text import render_verdict

S = 1_000_000_000
NAMES = ("powered", "wan_obtained", "online")
STAGES = ("powered", "wan_obtained", "online", "checked_in", "upgraded", "configured", "tunnel_up", "hq_reached")


def stage(name: str, order: int) -> Stage:
    return Stage(
        name, order, name, name,
        needs=lambda p: (Need("node", name, lambda p, o: True, name),),
        judge=lambda p, e: (),
        summary=lambda p, e: "",
        actions=lambda p, e: (Ask("node", "look", {}, f"{name}.look"),),
    )  # fmt: skip


def seen(kind: str, at_s: float, **data: object) -> Observation:
    return Observation("node", "core", kind, int(at_s * S), int(at_s * S), 0, 0, data)


def build(plan: Plan) -> RunMachine:
    return RunMachine(plan, [stage(n, i) for i, n in enumerate(NAMES)], ())


def run_first(plan: Plan) -> RunMachine:
    """A run that reaches its first two stages and misses the third."""
    machine = build(plan)
    machine.start(0)
    for kind, at_s in (("powered", 1.0), ("wan_obtained", 2.0)):
        machine.on_observation(seen(kind, at_s), int(at_s * S))
    machine.on_observation(seen("command.done", 2.5, label="online.look", ok=False, error="x"), int(2.5 * S))
    machine.on_tick(1000 * S)
    machine.on_tick(2000 * S)
    return machine


def resume(plan: Plan, along: tuple[Observation, ...], now_s: float) -> RunMachine:
    machine = build(replace(plan, since="online"))
    for observation in along:
        machine.on_observation(observation, int(now_s * S))
    machine.start(int(now_s * S))
    return machine


def test_earlier_stages_are_taken_and_said_to_be() -> None:
    plan = build_plan()
    machine = resume(plan, take_along(run_first(plan), "online"), 5000.0)
    machine.on_observation(seen("online", 5001.0), 5001 * S)
    machine.on_tick(5001 * S + SETTLE_NS)
    outcomes = [r.outcome for r in machine.results()]
    assert outcomes == ["NOT_APPLICABLE", "NOT_APPLICABLE", "PASS"]
    assert machine.results()[2].took_s == pytest.approx(1.0)
    verdict = combine(machine.plan, machine, {"since": "online", "resumed": "a run"})
    assert verdict.proven
    assert render_verdict(verdict, "x", 1.0).startswith("PROVEN from online on, resumed")


def test_what_was_seen_before_meets_no_need() -> None:
    plan = build_plan()
    stale = (*take_along(run_first(plan), "online"), seen("online", 2.9))
    machine = resume(plan, stale, 5000.0)
    machine.on_tick(9000 * S)
    machine.on_tick(9999 * S)
    assert machine.results()[2].outcome == "FAIL"


def test_old_answers_answer_nothing() -> None:
    plan = build_plan()
    first = run_first(plan)
    along = take_along(first, "hq_reached")  # none of its own stages: all that it saw by the end of the stages
    assert any(o.kind == "command.done" for o in along)
    assert all("label" not in o.data for o in along)
    machine = build(replace(plan, since="online"))
    for observation in along:
        machine.on_observation(observation, 5000 * S)
    asked = [a.label for a in machine.start(5000 * S) if isinstance(a, Ask)]
    assert asked == ["online.look"]


def test_later_evidence_is_left_behind() -> None:
    plan = build_plan()
    along = take_along(run_first(plan), "online")
    assert [o.kind for o in along] == ["powered", "wan_obtained"]


def test_a_claim_that_did_not_hold_keeps_the_run_from_being_proven() -> None:
    plan = replace(build_plan(), doubted=("powered",))
    machine = resume(plan, (), 5000.0)
    machine.on_observation(seen("online", 5001.0), 5001 * S)
    machine.on_tick(5001 * S + SETTLE_NS)
    assert machine.results()[0].outcome == "INCONCLUSIVE"
    assert not combine(plan, machine, {}).proven


def test_a_replay_is_the_same_run() -> None:
    plan = replace(build_plan(), since="online")
    along = take_along(run_first(build_plan()), "online")
    live = resume(build_plan(), along, 5000.0)
    live.on_observation(seen("online", 5001.0), 5001 * S)
    live.on_tick(5001 * S + SETTLE_NS)
    tape = [TapeEntry("observation", 5000 * S, o) for o in along]
    tape += [TapeEntry("start", 5000 * S), TapeEntry("observation", 5001 * S, seen("online", 5001.0))]
    tape += [TapeEntry("tick", 5001 * S + SETTLE_NS)]
    again = replay(plan, tape, [stage(n, i) for i, n in enumerate(NAMES)], ())
    assert again.results() == live.results()


def test_an_unknown_stage_is_refused() -> None:
    with pytest.raises(ValueError, match=r"plan\.since"):
        build(replace(build_plan(), since="nonesuch"))


@pytest.mark.parametrize(
    ("since", "says"),
    [
        ("powered", "start over"),
        ("wan_obtained", "nothing has the device do it again"),
        ("checked_in", "online was not reached"),
        ("online", None),
    ],
)
def test_which_stage_may_be_gone_on_from(since: str, says: str | None) -> None:
    reason = find_reason(run_first(build_plan()), since, STAGES, news=True)
    assert (reason is None) if says is None else (reason is not None and says in reason)


def test_a_stage_reached_while_nobody_watched_is_found() -> None:
    standing = {"carrier": {"granted": True}, "management": {"S": {"requests": 1, "reports": ["bootstrap-initiated"]}}}
    assert find_unseen("wan_obtained", standing) == "wan_obtained"
    assert find_unseen("checked_in", standing) == "checked_in"
    assert find_unseen("configured", standing) is None
    assert find_unseen("wan_obtained", {"carrier": {"granted": False}, "management": {}}) is None


def test_news_are_parted_node_by_node() -> None:
    told = {"node": 10 * S}
    other = replace(seen("b", 6.0), source="other")
    old, new = part_news([seen("a", 9.0), seen("c", 11.0), other], told, 5 * S)
    assert [o.kind for o in old] == ["a"]
    assert [o.kind for o in new] == ["c", "b"]


def seeds(**settings: object) -> dict[str, dict[str, object]]:
    management = {"inventory": [], "config": {"a": 1}, "alerts": None, "operators": None, "ports": [443]}
    management |= {"firmware": {"image_base64": "AA=="}}
    tunnel = {"psk": "one", "dpd_s": 10}
    found: dict[str, dict[str, object]] = {
        "management": {"links": [], "settings": management | settings},
        "hq-gateway": {"links": [], "settings": {"tunnel": tunnel}},
    }
    return found


def test_only_what_changed_is_told() -> None:
    orders = build_orders(seeds(), seeds(inventory=[{"serial": "X"}]), "checked_in", STAGES)
    assert [(o.node, o.verb) for o in orders.to_tell] == [("management", "records")]
    assert orders.untold == () and orders.early == ()


def test_what_only_a_start_tells_is_named() -> None:
    orders = build_orders(seeds(), seeds(ports=[8443]), "checked_in", STAGES)
    assert orders.untold == ("management ports[0]",)


def test_what_bears_on_an_earlier_stage_is_named() -> None:
    orders = build_orders(seeds(), seeds(config={"a": 2}), "tunnel_up", STAGES)
    assert orders.early == (("management config.a", "configured"),)


def test_a_secret_that_changed_is_named_and_not_shown() -> None:
    after = seeds()
    after["hq-gateway"] = {"links": [], "settings": {"tunnel": {"psk": "two", "dpd_s": 10}}}
    orders = build_orders(seeds(), after, "checked_in", STAGES)
    assert orders.changed == ("hq-gateway tunnel.psk",)
    assert orders.to_tell[0].opens == "gateway.opened"


def test_a_standing_tunnel_is_ended_where_the_run_goes_on_with_it() -> None:
    assert [o.verb for o in build_orders(seeds(), seeds(), "tunnel_up", STAGES).to_tell] == ["expect"]
    assert build_orders(seeds(), seeds(), "hq_reached", STAGES).to_tell == ()


def test_differences_by_key_path() -> None:
    one = {"a": [1, {"b": True}], "c": "x"}
    other = {"a": [1, {"b": 1}, 3], "d": None}
    paths = [path for path, _, _ in list_differences(one, other)]
    assert paths == ["a[1].b", "a[2]", "c", "d"]


def test_papers_are_read_as_they_were_written() -> None:
    from harness.lab.docker_lab import make_materials

    papers = Papers("ab12", "/runs/x", {"router": {"n": 1}}, make_materials(build_plan()), ("router",), {}, 7, True)
    assert parse_papers(render_papers(papers)) == papers


def test_evidence_is_not_touched_by_other_papers() -> None:
    for content in (b"", b"{}", b"[]", b'{"format": 2}', json.dumps({"format": 1, "run": "x"}).encode()):
        with pytest.raises(PapersError):
            parse_papers(content)
    assert len(Evidence()) == 0
