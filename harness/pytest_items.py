"""A profile's collectors and items for pytest. Layer: front end. The hooks are in pytest_plugin.py.

One lab a profile and site; one item a stage, and a check that is not left out. An item runs the loop until its own
stage is settled, so its time is the stage's own. A stage that was missed fails with what was expected, what was seen
and the last lines of evidence; what it blocks is skipped with the reason. Something that could not be judged although
nothing failed before it is a failure of its own: a run of skips would pass.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.app import Options, Session
from harness.core.machine import RunMachine
from harness.core.model import Outcome, Plan
from harness.core.registry import load_checks, load_stages
from harness.errors import BranchproofError, InputError, Problem
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets
from harness.reports.text import explain_finding, explain_stage

LAST_EVIDENCE = 8
"""Lines of evidence shown under a failed item."""


class ProfileFile(pytest.File):
    """One profile."""

    def collect(self) -> Iterable[pytest.Collector]:
        try:
            loaded = load_profile(self.path)
            only, skip = (_read_checks(self.config, option) for option in ("--branch-only", "--branch-skip"))
            names = self.config.getoption("--branch-site") or list(site_names(loaded))[:1]
            for name in names:
                plan = compile_plan(loaded, name, self.config.getoption("--branch-pace"), None)
                yield SiteCollector.from_parent(self, name=name, plan=replace(plan, only=only, skip=skip))
        except InputError as error:
            raise self.CollectError(str(error)) from error


def _read_checks(config: pytest.Config, option: str) -> tuple[str, ...]:
    """Return the names given with an option. Raises: InputError for one that is no check's."""
    given, names = tuple(config.getoption(option)), [c.name for c in load_checks()]
    for name in given:
        if name not in names:
            raise InputError((Problem("pytest", 0, 0, option, f"no check {name!r}; there are {', '.join(names)}"),))
    return given


class SiteCollector(pytest.Collector):
    """One site of a profile: one lab, its items in stage order."""

    def __init__(self, *, plan: Plan, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.plan = plan
        self._session: Session | None = None
        self._broken: BranchproofError | None = None

    def collect(self) -> Iterator[pytest.Item]:
        for stage in load_stages():
            yield ProofItem.from_parent(self, name=stage.name)
        for check in (c for c in load_checks() if not self.plan.leaves_out(c.name)):
            yield ProofItem.from_parent(self, name=check.name)

    def run_until(self, name: str) -> Session:
        """Start the lab at the first call; run on until `name` is settled. Raises: BranchproofError, also again."""
        if self._broken is not None:
            raise self._broken
        try:
            if self._session is None:
                secrets = resolve_secrets(self.plan)
                self._session = Session(self.plan, secrets, Options(Path(self.config.getoption("--branch-out"))))
                self._session.start()
            self._session.run(lambda machine: machine.is_settled(name))
        except BranchproofError as error:
            self._broken = error
            self.finish()
            raise
        return self._session

    def finish(self) -> None:
        """Write the verdict and take the lab down."""
        session, self._session = self._session, None
        if session is None:
            return
        with session:
            if session.machine.done:
                session.conclude()


def list_judged(machine: RunMachine, name: str) -> list[tuple[Outcome, str, tuple[int, ...]]]:
    """Return what a stage or check came to, worst first: the first that is no pass decides an item, and a claim that
    does not apply must not hide one that failed."""
    judged: list[tuple[Outcome, str, tuple[int, ...]]] = []
    for stage in (s for s in machine.results() if s.stage == name):
        judged.append((stage.outcome, f"{stage.summary}\n{explain_stage(stage)}", stage.evidence))
    for found in (f for f in machine.findings() if f.check == name):
        judged.append((found.outcome, explain_finding(found), found.evidence))
    ranks = ("FAIL", "INCONCLUSIVE", "PASS", "NOT_APPLICABLE")
    if any(outcome == "PASS" for outcome, _, _ in judged):
        judged = [j for j in judged if j[0] != "NOT_APPLICABLE"]  # some of it holds and none failed: a pass
    return sorted(judged, key=lambda one: ranks.index(one[0]))


class NotReached(Exception):
    """An item's stage or check failed; the text is the explanation."""


class ProofItem(pytest.Item):
    """One stage or one check."""

    @property
    def site(self) -> SiteCollector:
        assert isinstance(self.parent, SiteCollector)
        return self.parent

    def runtest(self) -> None:
        session = self.site.run_until(self.name)
        for outcome, text, lines in list_judged(session.machine, self.name):
            self._judge(session, outcome, session.scrub(text), lines)

    def _judge(self, session: Session, outcome: Outcome, text: str, lines: tuple[int, ...]) -> None:
        machine = session.machine
        # A skip passes: it is for what another item of this very pytest run fails for.
        shown_items = {item.name for item in self.session.items if item.parent is self.parent}
        failed = any(s.outcome == "FAIL" and s.stage in shown_items for s in machine.results())
        if outcome == "NOT_APPLICABLE" or (outcome == "INCONCLUSIVE" and failed):
            pytest.skip(f"{outcome}: {text.splitlines()[0]}")
        if outcome != "PASS":
            last = ((i, machine.evidence[i]) for i in lines[-LAST_EVIDENCE:])
            told = "\n".join(f"  {i:>5}  {seen.source} {seen.kind} {dict(seen.data)}" for i, seen in last)
            shown = session.scrub(told)
            raise NotReached(f"{outcome}: {text}\nlast evidence (its number, node, event):\n{shown or '  none'}")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        if isinstance(excinfo.value, NotReached | BranchproofError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        return self.path, None, f"{self.site.name} {self.name}"
