"""Every check's spoiled twin: with the smallest weakening of what the device is told, that check fails and no other.

Each check's twin is tried in one of the demo profiles, turn about (`make bench` tries every weakening in both). One lab
a profile, proven first as far as the checks that do not disturb each other go. For each twin the device fetches the
spoiled configuration; then its own check is run, with those. That the disturbing ones do not fail for another's twin is
seen by `make bench`, whose rounds run them all. Last, the right configuration is served again, and every check must
hold on it: what failed before failed for the twin.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from harness.app import Options, Session
from harness.core.model import Plan
from harness.core.mutants import Mutant, list_mutants
from harness.core.registry import load_checks
from harness.mutation import Mutation
from harness.profile.compile import compile_plan
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets

pytestmark = pytest.mark.lab

PROFILES = Path(__file__).parents[2] / "profiles"
NAMES = ("pier-kiosk", "harbour-office")


def load_plan(name: str) -> Plan:
    loaded = load_profile(PROFILES / f"{name}.yaml")
    return compile_plan(loaded, next(iter(loaded.sites)), "fast")


def list_twins(name: str) -> list[Mutant]:
    return [m for m in list_mutants(load_plan(name), load_checks()) if m.is_twin]


def list_calm(plan: Plan) -> tuple[str, ...]:
    return tuple(c.name for c in load_checks() if not c.disturbs and c.why_not(plan) is None)


def share_out() -> dict[str, list[str]]:
    """Return by profile the checks whose twins are tried in it: those of even places in the first, those of odd places
    in the second, and one that applies in one profile only there."""
    twins = {name: {m.check for m in list_twins(name)} for name in NAMES}
    shares: dict[str, list[str]] = {name: [] for name in NAMES}
    for place, check in enumerate(c.name for c in load_checks()):
        turns = (NAMES[place % 2], NAMES[1 - place % 2])
        for name in [n for n in turns if check in twins[n]][:1]:
            shares[name].append(check)
    return shares


class Bench:
    """A proven lab, and rounds in it."""

    def __init__(self, plan: Plan, session: Session) -> None:
        self.calm = list_calm(plan)
        self.mutation = Mutation(session, plan, load_checks())


@contextmanager
def open_bench(name: str, out: Path) -> Iterator[Bench]:
    plan = load_plan(name)
    with Session(replace(plan, only=list_calm(plan)), resolve_secrets(plan), Options(out)) as session:
        session.start()
        session.run()
        wrong = [f for f in session.machine.findings() if f.outcome not in ("PASS", "NOT_APPLICABLE")]
        assert not wrong and all(s.outcome == "PASS" for s in session.machine.results()), wrong
        ready = Bench(plan, session)
        yield ready
        ready.mutation.close()


class Benches:
    """One bench at a time: the one of another profile is opened when it is asked for."""

    def __init__(self, out: Path) -> None:
        self._out, self._name, self._open = out, "", ExitStack()
        self._bench: Bench | None = None

    def get(self, name: str) -> Bench:
        if self._name != name or self._bench is None:
            self.close()
            self._name = name
            self._bench = self._open.enter_context(open_bench(name, self._out))
        return self._bench

    def close(self) -> None:
        self._bench = None
        self._open.close()


@pytest.fixture(scope="module")
def benches(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Benches]:
    opened = Benches(tmp_path_factory.mktemp("twins"))
    yield opened
    opened.close()


RESTORED = "none of them, and all checks hold again"
TWINS = [(name, check) for name, share in share_out().items() for check in (*share, RESTORED)]


@pytest.mark.parametrize(("name", "check"), TWINS, ids=[f"{n}: {c}" for n, c in TWINS])
def test_the_twin_fails_its_check_and_no_other(benches: Benches, name: str, check: str) -> None:
    bench = benches.get(name)
    if check == RESTORED:
        assert bench.mutation.restore() == ()
        return
    twin = next(m for m in list_twins(name) if m.check == check)
    names = tuple(dict.fromkeys((*bench.calm, check)))
    done = next(bench.mutation.run([twin], lambda mutant: (names,)))
    wrong = {f.check: f for f in done.findings if f.outcome not in ("PASS", "NOT_APPLICABLE")}
    assert set(wrong) == {check}, (twin.spoil.title, done.by, wrong)
    assert wrong[check].outcome == "FAIL"


@pytest.mark.parametrize("name", NAMES)
def test_every_check_of_a_demo_profile_applies_and_has_a_twin(name: str) -> None:
    plan = load_plan(name)
    twins = {m.check for m in list_twins(name)}
    assert {c.name for c in load_checks() if c.why_not(plan) is None} == twins


def test_every_check_has_its_turn() -> None:
    assert sorted(check for _, check in TWINS if check != RESTORED) == sorted(c.name for c in load_checks())
