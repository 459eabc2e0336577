"""The catalogue of faults: each file is in order, and what it asks of stand-ins is what stand-ins offer."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from emulators.common.impair import Impair
from harness.core.faults import Applied, Expectation, Fault
from harness.core.model import Ask, Plan, PowerCut, PowerOn
from harness.core.registry import load_faults, load_stages
from harness.diagnosis.diagnose import load_causes
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.trial.choose import find_reason, is_kept_back, list_suite, list_variants, parse_applied
from harness.trial.notes import ROUTER, take_notes

ROOT = Path(__file__).parents[2]
PACKAGES = {
    "carrier": "emulators.carrier.impairments",
    "internet": "emulators.internet.impairments",
    "management": "emulators.management.impairments",
    "hq-gateway": "emulators.hq.impairments_gateway",
    "hq-endpoint": "emulators.hq.impairments_endpoint",
    "router": "emulators.router.hardware.impairments",
    "client": "emulators.client.impairments",
}
FAULTS = load_faults()
STAGES = [s.name for s in load_stages()]


def load_demo_plans() -> list[Plan]:
    plans = []
    for name in ("pier-kiosk", "workshop", "harbour-office"):
        loaded = load_profile(ROOT / "profiles" / f"{name}.yaml")
        plans += [compile_plan(loaded, site, "fast", None) for site in site_names(loaded)]
    return plans


PLANS = load_demo_plans()
EVERY = [applied for fault in FAULTS for applied in (Applied(fault, fault.usual()), *list_variants(fault))]
CASES = [(plan, applied) for plan in PLANS[:1] + PLANS[-1:] for applied in EVERY if find_reason(plan, applied) is None]
IDS = [f"{plan.branch.site}: {applied.text}" for plan, applied in CASES]


class Untouched:
    """A context whose parts may be named, but not used: what is offered hangs on nothing; what is started does."""

    def __getattr__(self, name: str) -> Untouched:
        return self

    def __getitem__(self, name: str) -> Untouched:
        return self

    def __iter__(self) -> Iterator[Untouched]:
        return iter(())


def load_offers(node: str) -> dict[str, Impair]:
    parent = importlib.import_module(PACKAGES[node])
    offers: dict[str, Impair] = {}
    for module in pkgutil.iter_modules(parent.__path__):
        offers |= importlib.import_module(f"{parent.__name__}.{module.name}").offer(Untouched())
    return offers


OFFERS = {node: load_offers(node) for node in PACKAGES}


def find_offers(node: str) -> dict[str, Impair]:
    return OFFERS["client" if node.startswith("client") else node]


@pytest.mark.parametrize("fault", FAULTS, ids=[f.name for f in FAULTS])
def test_a_fault_is_in_the_file_of_its_name_and_strikes_something_that_exists(fault: Fault) -> None:
    module = importlib.import_module(f"harness.faults.{fault.name}")
    assert module.FAULT is fault
    assert fault.strikes in (*STAGES, "service")
    assert fault.onset.stage in (None, *STAGES)
    assert fault.cause.endswith(".") and fault.title


@pytest.mark.parametrize(("plan", "applied"), CASES, ids=IDS)
def test_what_is_expected_can_be_found(plan: Plan, applied: Applied) -> None:
    expectation: Expectation = applied.fault.expects(plan, applied.values)
    assert expectation.stage in (None, *STAGES)
    assert 0 < expectation.back_within_s <= 1000
    assert expectation.why
    assert set(expectation.causes) <= {cause.name for cause in load_causes()}
    lasts_s = applied.fault.lasts_s(plan, applied.values)
    assert expectation.serves is not None or lasts_s is not None, "a fault that is not looked at needs an end"


@pytest.mark.parametrize(("plan", "applied"), CASES, ids=IDS)
def test_every_ask_is_one_that_the_stand_in_offers_and_is_taken_back(plan: Plan, applied: Applied) -> None:
    note = take_notes(plan, applied, 0)
    for doing in note.doings:
        begun: dict[tuple[str, str], Any] = {}
        for action in doing.on:
            if isinstance(action, Ask) and action.ask != "lease":  # of a lease, nothing is left to take back
                assert action.ask == "impair"
                args = dict(action.args)
                what = args.pop("what")
                inspect.signature(find_offers(action.node)[what]).bind(**args)
                begun[action.node, what] = args
        ended = [(a.node, a.args["what"]) for a in doing.off if isinstance(a, Ask) and a.ask != "lease"]
        assert sorted(ended) == sorted(begun)
        assert sum(isinstance(a, PowerCut) for a in doing.on) == sum(isinstance(a, PowerOn) for a in doing.off)


@pytest.mark.parametrize(("plan", "applied"), CASES, ids=IDS)
def test_who_cuts_power_does_it_of_a_router_that_has_some_and_briefly(plan: Plan, applied: Applied) -> None:
    note = take_notes(plan, applied, 0)
    if note.cuts_power:
        assert applied.fault.onset.stage is not None and note.is_brief
        asked = [a.node for doing in note.doings for a in (*doing.on, *doing.off) if isinstance(a, Ask)]
        assert ROUTER not in asked


def test_each_fault_befalls_a_demo_branch() -> None:
    never = [a.text for a in EVERY if all(find_reason(plan, a) is not None for plan in PLANS)]
    assert never == []


def test_every_way_of_writing_a_fault_is_read_back() -> None:
    for applied in EVERY:
        again = parse_applied(applied.text, FAULTS, "--with")
        assert (again.fault, again.text) == (applied.fault, applied.text)


def test_about_a_third_of_the_variants_is_kept_back() -> None:
    variants = [v for fault in FAULTS for v in list_variants(fault)]
    kept = sum(is_kept_back(v) for v in variants)
    assert len(variants) / 5 <= kept <= len(variants) / 2


def test_the_suites_are_what_they_say() -> None:
    assert [a.fault for a in list_suite(["all"], FAULTS)] == list(FAULTS)
    assert {a.fault.met for a in list_suite(["common"], FAULTS)} == {"common"}
    assert [a.text for a in list_suite(["apn_unknown", "apn_unknown"], FAULTS)] == ["apn_unknown"]
