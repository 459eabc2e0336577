"""Rounds of `mutate`, by the pure machine: what counts as noticed, what survives, and what is left open."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.entries import Check, Evidence, Spoil, hold
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.mutants import (
    NOT_UP,
    REFUSED,
    SERVED,
    Mutant,
    Round,
    await_device,
    await_settings,
    build_round,
    judge_round,
    list_mutants,
    score_pct,
)
from harness.core.rehearse import rehearse
from harness.core.sample import answered, build_plan, saw
from harness.reports.mutation import render_mutation

SPOIL = Spoil("guest's isolation is off", "segments[1].isolated", lambda config: None)
DIGEST = "ab" * 32


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    answer = evidence.find_answer("asked")
    return (hold("claim", answer is not None and answer.result == {"closed": True}, "c", "e", "s", [answer]),)


CHECK = Check(
    name="claim",
    order=1,
    title="c",
    after="tunnel_up",
    why_not=lambda plan: None,
    judge=judge,
    timeout_s=5.0,
    actions=lambda plan, evidence: (Ask("client1", "ping", {}, "asked"),),
    spoils=lambda plan: (SPOIL, replace(SPOIL, title="more")),
)
REPORTED = saw(
    "management", "report.received", 2.0, progress_type="bootstrap-complete", message=f"configuration sha256 {DIGEST}"
)
TUNNEL = saw("hq-gateway", "child.installed", 2.5)
FETCHED = saw("management", "config.served", 1.5, serial="SK-000017", digest=DIGEST)
SERVED_NS = 1_000_000_000
REFUSAL = saw("management", "report.received", 2.0, progress_type="config-error", message="segments: no")


def run_round(*seen: Observation) -> tuple[str, tuple[str, ...]]:
    machine = build_round(build_plan(), [CHECK], ["claim"], await_device(DIGEST, SERVED_NS))
    return judge_round(rehearse(machine, seen).machine, DIGEST, SERVED_NS)


def test_a_check_that_fails_notices() -> None:
    assert run_round(REPORTED, TUNNEL, answered("client1", "asked", 3.0, {"closed": False})) == ("noticed", ("claim",))


def test_a_weakening_with_which_all_holds_survives() -> None:
    assert run_round(REPORTED, TUNNEL, answered("client1", "asked", 3.0, {"closed": True})) == ("survived", ())


def test_a_probe_that_breaks_has_noticed_nothing() -> None:
    assert run_round(REPORTED, TUNNEL) == ("open", ())


def test_a_report_of_another_configuration_is_not_the_rounds() -> None:
    other = replace(REPORTED, data={**REPORTED.data, "message": "configuration sha256 " + "cd" * 32})
    judgement, by = run_round(FETCHED, other, TUNNEL, answered("client1", "asked", 3.0, {"closed": True}))
    assert (judgement, by) == ("noticed", (NOT_UP,))


def test_a_device_that_never_fetched_the_document_has_not_failed_with_it() -> None:
    assert run_round(replace(REPORTED, at_ns=0), TUNNEL) == ("open", ())


def test_a_device_that_refuses_has_noticed() -> None:
    assert run_round(REFUSAL, TUNNEL)[1] == (REFUSED,)


def test_the_refusal_of_the_round_before_is_not_this_ones() -> None:
    stale = replace(REFUSAL, at_ns=SERVED_NS // 2)
    seen = (FETCHED, REPORTED, TUNNEL, answered("client1", "asked", 3.0, {"closed": True}))
    assert run_round(stale, *seen) == ("survived", ())


def test_the_tunnel_of_the_round_before_does_not_let_the_checks_begin() -> None:
    stale = replace(TUNNEL, at_ns=SERVED_NS // 2)
    seen = (FETCHED, REPORTED, answered("client1", "asked", 3.0, {"closed": False}))
    assert run_round(stale, *seen) == ("noticed", (NOT_UP,))


def test_a_management_server_that_does_not_take_its_settings_has_noticed_nothing() -> None:
    machine = build_round(build_plan(), [CHECK], ["claim"], await_settings())
    assert judge_round(rehearse(machine, ()).machine, None) == ("open", ())


def test_settings_of_the_management_server_need_no_report_of_the_device() -> None:
    machine = build_round(build_plan(), [CHECK], ["claim"], await_settings())
    seen = (answered("management", SERVED, 1.0, {}), answered("client1", "asked", 2.0, {"closed": True}))
    assert judge_round(rehearse(machine, seen).machine, None) == ("survived", ())


def test_the_first_spoil_is_the_twin_and_checks_that_do_not_apply_have_none() -> None:
    aside = replace(CHECK, name="aside", why_not=lambda plan: "not set")
    assert [(m.check, m.is_twin) for m in list_mutants(build_plan(), [CHECK, aside])] == [
        ("claim", True),
        ("claim", False),
    ]


@pytest.mark.parametrize(("noticed", "of", "pct"), [(0, 0, 100.0), (49, 50, 98.0), (1, 3, 100 / 3)])
def test_the_score_is_the_share_that_was_noticed(noticed: int, of: int, pct: float) -> None:
    rounds = [build("noticed") for _ in range(noticed)] + [build("survived") for _ in range(of - noticed)]
    assert score_pct(rounds) == pytest.approx(pct)


def build(judgement: str) -> Round:
    return Round(Mutant("claim", SPOIL, True), judgement, (), ("claim",), (), 1.0)  # type: ignore[arg-type]


def test_a_survivor_is_named_with_its_line_of_the_profile_and_why() -> None:
    text = render_mutation([build("survived"), build("noticed")], [], lambda key: 52, "p.yaml")
    assert text.splitlines()[0] == "1 of 2 weakenings noticed (50.0 %)"
    assert "p.yaml:52 segments[1].isolated: guest's isolation is off: survived" in text
