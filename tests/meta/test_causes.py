"""The rule base: the house's rules for rows, and that a diagnosis cannot know what was put upon a run."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import harness.diagnosis
from harness.core.entries import ANSWERED, Check, Example, Seen, Stage
from harness.core.faults import BENCH, Applied
from harness.core.machine import RunMachine
from harness.core.model import Observation, Plan
from harness.core.registry import load_check_examples, load_checks, load_faults, load_stage_examples, load_stages
from harness.core.rehearse import list_nominal, rehearse
from harness.core.sample import build_plan
from harness.diagnosis.case import Case, build_case, forget_records
from harness.diagnosis.causes import general
from harness.diagnosis.diagnose import Diagnosis, diagnose, load_causes
from harness.diagnosis.rows import Cause, holds
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.trial.choose import find_reason, list_variants

ROOT = Path(__file__).parents[2]
FOLDER = Path(harness.diagnosis.__file__).parent
JARGON = re.compile(
    r"\b(APN|PDN|PDP|IKE|IPsec|ESP|DNS|DHCP|NTP|PSK|MTU|TLS|HTTPS?|VLAN|RSRP|RSRQ|SINR|EMM|ESM|EPS|RADIUS|IMSI|ICCID|NAT|"
    r"VPN|WAN|LAN|bearer|subnet|proposal|certificate|firmware|tunnel|gateway|handshake|registration|configuration)\b",
    re.IGNORECASE,
)
LONGEST_SENTENCE = 200
ROWS = load_causes()
PASSING = [
    (entry, example)
    for entry, examples in [*load_stage_examples(), *load_check_examples()]
    for example in examples
    if example.outcome == "PASS"
]

NEIGHBOURS = {"claimed_by_other_owner", "server_certificate_not_yet_valid"}
"""Causes that no fault brings about: a server or a standard has words for them, so that they are not taken for one."""
PASSED_WITH_TROUBLE = {("upgraded", "the image comes in two parts"): ["download_reset"]}
"""Examples that pass, and that show a trouble all the same."""


def load_plans() -> Iterator[Plan]:
    """Compile the first site of every profile of ours."""
    for file in sorted((ROOT / "profiles").glob("*.yaml")):
        if file.name.endswith(".sites.yaml"):
            continue
        loaded = load_profile(file)
        yield compile_plan(loaded, next(iter(site_names(loaded))), "fast", None)


def diagnose_nominal(plan: Plan, observations: tuple[Observation, ...]) -> Diagnosis:
    return diagnose(build_case(rehearse(RunMachine(plan, load_stages(), load_checks()), observations).machine))


# ---------------------------------------------------------------- rows


@pytest.mark.parametrize("row", ROWS, ids=[r.name for r in ROWS])
def test_a_row_says_all_that_a_person_needs(row: Cause) -> None:
    assert re.fullmatch(r"[a-z][a-z0-9_]+", row.name)
    for text in (row.title, row.tell_apart, row.at_bench, row.at_site, row.sentence):
        assert text.strip() == text and text
    for sign in (*row.needs, *row.speaks_for, *row.speaks_against):
        assert sign.text and sign.weight >= 0.0


@pytest.mark.parametrize("row", ROWS, ids=[r.name for r in ROWS])
def test_the_sentence_is_one_and_plain(row: Cause) -> None:
    assert row.sentence.endswith((".", "?", "!"))
    assert not re.search(r"[.!?]\s", row.sentence), "more than one sentence"
    assert len(row.sentence) <= LONGEST_SENTENCE
    assert not JARGON.search(row.sentence), JARGON.search(row.sentence)


@pytest.mark.parametrize("row", ROWS, ids=[r.name for r in ROWS])
def test_a_row_needs_more_than_the_place_where_it_stopped(row: Cause) -> None:
    places = [s for s in row.needs if s.text.startswith("the bring-up stops at") or s.is_of_success]
    assert len(row.needs) > len(places)


def test_the_causes_of_every_fault_are_rows() -> None:
    names = {row.name for row in ROWS}
    missing = set()
    for plan in load_plans():
        for fault in load_faults():
            for applied in (Applied(fault, fault.usual()), *list_variants(fault)):
                if find_reason(plan, applied) is None:
                    missing |= {(fault.name, c) for c in fault.expects(plan, applied.values).causes if c not in names}
    assert missing == set()


def test_a_row_that_is_no_fault_of_the_catalogue_is_a_general_one() -> None:
    expected = {row.name for row in general.CAUSES} | {f.name for f in load_faults()} | NEIGHBOURS
    applied = [a for f in load_faults() for a in (Applied(f, f.usual()), *list_variants(f))]
    expected |= {c for plan in load_plans() for a in applied for c in a.fault.expects(plan, a.values).causes}
    assert {row.name for row in ROWS} <= expected


# ---------------------------------------------------------------- a run that went well has no cause


def test_no_cause_is_named_of_a_nominal_run() -> None:
    found = diagnose_nominal(build_plan(), list_nominal())
    assert found.stopped is None
    assert [n.cause.name for n in found.named] == []


@pytest.mark.parametrize(("entry", "example"), PASSING, ids=[f"{e.name}: {x.title}" for e, x in PASSING])
def test_no_cause_is_named_of_an_example_that_passes(entry: Stage | Check, example: Example) -> None:
    plan = example.plan or build_plan()
    if isinstance(entry, Stage):
        start_ns = max(0, min((s.at_ns for s in example.observations), default=0) - 10**9)
        machine = rehearse(RunMachine(plan, [entry], []), example.observations, start_ns=start_ns).machine
    else:
        reached = Stage(entry.after, 0, "", "", lambda p: (), lambda p, e: (), lambda p, e: "")
        machine = rehearse(RunMachine(plan, [reached], [entry]), example.observations).machine
    case = build_case(machine)
    assert case.stopped is None
    assert [n.cause.name for n in diagnose(case).named] == PASSED_WITH_TROUBLE.get((entry.name, example.title), [])


# ---------------------------------------------------------------- what a diagnosis cannot know


def test_no_row_names_the_catalogue_of_faults_or_what_others_have_on_record() -> None:
    for file in sorted(FOLDER.rglob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        names = {n.id for n in ast.walk(tree) if isinstance(n, ast.Name)}
        names |= {a.name for n in ast.walk(tree) if isinstance(n, ast.ImportFrom | ast.Import) for a in n.names}
        assert not names & {"load_faults", "load_invariants", "Fault", "Applied", "BENCH", "open"}, file
        fields = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
        assert "records" not in fields, file
        texts = {n.value for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)}
        assert not any(t.startswith(("harness.faults", "harness.trial", BENCH)) for t in texts), file


def test_a_case_knows_nothing_of_records() -> None:
    machine = rehearse(RunMachine(build_plan(), load_stages(), []), list_nominal()).machine
    case = build_case(machine)
    assert case.plan == forget_records(build_plan())
    assert case.plan.records != build_plan().records
    assert case.plan.records.carrier.apns == ()


def test_what_the_bench_did_is_not_in_a_case() -> None:
    """All of it is stripped: a row that rests on any of it is never named, and nothing else changes without it."""
    nominal = list_nominal()
    label = {"verb": "impair", "label": f"{BENCH}on.0.0", "ok": True, "result": {}}
    doings = tuple(
        replace(nominal[-1], source="carrier", kind=kind, at_ns=at_ns, seq=9000 + n, data=data)
        for n, (kind, at_ns, data) in enumerate(
            [(ANSWERED, 0, label), ("link.cut", 10**9, {"name": "radio"}), (ANSWERED, 2 * 10**9, label)]
        )
    )
    spy = Cause("spy", "", (holds("the bench did something", _find_doing),), "", "", "", "")
    with_them = rehearse(RunMachine(build_plan(), load_stages(), []), (*nominal, *doings)).machine
    assert sum(_is_doing(o) for o in with_them.evidence) == 3
    assert diagnose(build_case(with_them), [spy]).named == ()
    without = rehearse(RunMachine(build_plan(), load_stages(), []), nominal).machine
    told = [[s.observation for s in build_case(m).evidence] for m in (with_them, without)]
    assert [replace(o, received_ns=0) for o in told[0]] == [replace(o, received_ns=0) for o in told[1]]


def _is_doing(observation: Observation) -> bool:
    return str(observation.data.get("label") or "").startswith(BENCH) or observation.kind == "link.cut"


def _find_doing(case: Case) -> tuple[Seen, ...] | None:
    return tuple(s for s in case.evidence if _is_doing(s.observation)) or None
