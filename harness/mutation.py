"""`branchproof mutate`: one lab, one proof, then one round for each weakening of what is served. Layer: top, like app.

The branch is proven first: a check that fails on the right configuration can prove nothing about a wrong one. Each
round begins where the one before left the branch. The check that names the weakening is run first; where it does not
notice, every check is. Where the branch did not come up, it must come up with the right configuration, or else the lab
is to blame, and the round is open. Last, the right configuration is served again, and must be proven again: what the
rounds did to the lab is not what made them fail.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from emulators.common.record import to_json
from harness.app import Options, Session
from harness.core.entries import Check, Need, Spoil
from harness.core.machine import RunMachine
from harness.core.model import Finding, Plan
from harness.core.mutants import (
    NOT_UP,
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
from harness.core.registry import load_checks
from harness.errors import InputError, Problem
from harness.progress import Progress
from harness.reports.mutation import round_line
from harness.runner import Loop

REPORT = "mutants.json"
ROUNDS = "rounds.jsonl"
"""Inputs of all rounds, one after the other, each from its own ``start``."""
GOAL_PCT = 98.0
"""Share of weakenings that must be noticed: our own measure."""


def _ignore(machine: RunMachine) -> None:
    """The progress listener of a round."""


class Mutation:
    """The rounds of one session, whose run is over and whose lab is still up."""

    def __init__(self, session: Session, plan: Plan, checks: Sequence[Check]) -> None:
        self._session, self._plan = session, plan
        self._checks = [c for c in checks if c.why_not(plan) is None]
        self._digest = session.lab.find_digest()
        session.lab.forget_asks()
        self._tape = session.folder.open_tape(ROUNDS)

    def close(self) -> None:
        """Close the rounds' tape."""
        self._tape.close()

    def run(
        self, mutants: Sequence[Mutant], choose: Callable[[Mutant], Sequence[Sequence[str]]] | None = None
    ) -> Iterator[Round]:
        """Yield what came of each. `choose` names the checks of a round's tries, one try after the other until one
        notices. Raises: LabError."""
        for mutant in mutants:
            tries = choose(mutant) if choose else ((mutant.check,), tuple(c.name for c in self._checks))
            yield self._try(mutant, tries)

    def restore(self) -> tuple[Finding, ...]:
        """Serve the right configuration again; return what does not hold then."""
        machine, _ = self._round([c.name for c in self._checks], self._serve(None))
        return tuple(f for f in machine.findings() if f.outcome not in ("PASS", "NOT_APPLICABLE"))

    def _try(self, mutant: Mutant, tries: Sequence[Sequence[str]]) -> Round:
        took_s, ran = 0.0, tuple[str, ...]()
        since_ns, before = self._session.clock.now_ns(), self._digest
        needs = self._serve(mutant.spoil)
        digest = self._digest if self._digest != before else None
        for names in tries:
            machine, seconds = self._round(names, needs)
            took_s, ran, needs = took_s + seconds, tuple(dict.fromkeys((*ran, *names))), ()
            judgement, by = judge_round(machine, digest, since_ns)
            if judgement == "noticed":
                break
        if by == (NOT_UP,) and not self._comes_up(mutant.check):
            judgement, by = "open", ()
        return Round(mutant, judgement, by, ran, machine.findings(), round(took_s, 3))

    def _comes_up(self, check: str) -> bool:
        """Say whether the branch comes up once the right configuration is served."""
        machine, _ = self._round([check], self._serve(None))
        return all(stage.outcome == "PASS" for stage in machine.results())

    def _serve(self, spoil: Spoil | None) -> tuple[Need, ...]:
        """Have it served; return what must be seen before a check means anything."""
        since_ns = self._session.clock.now_ns()
        digest = self._session.lab.serve(spoil, SERVED)
        before, self._digest = self._digest, digest
        return await_settings() if digest == before else await_device(digest, since_ns)

    def _round(self, names: Sequence[str], needs: tuple[Need, ...]) -> tuple[RunMachine, float]:
        lab, clock = self._session.lab, self._session.clock
        began_ns = clock.now_ns()
        machine = build_round(self._plan, self._checks, names, needs)
        Loop(machine, lab, clock, self._tape, _ignore).run()
        lab.forget_asks()  # labels are the same in each round, and a probe of this one may answer in the next
        return machine, (clock.now_ns() - began_ns) / 1e9


@dataclass(frozen=True, slots=True)
class Outcome:
    """`left`: what did not hold once the right configuration was served again."""

    rounds: tuple[Round, ...]
    left: tuple[Finding, ...]
    folder: Path

    @property
    def is_whole(self) -> bool:
        """Whether enough was noticed, and the branch is proven again at the end."""
        return score_pct(self.rounds) >= GOAL_PCT and not self.left


def mutate(
    plan: Plan, secrets: Mapping[str, str], options: Options, only: Sequence[str], progress: Progress
) -> Outcome:
    """Prove the branch, then weaken it bit by bit. Raises: LabError; InputError where the branch is not proven."""
    checks = load_checks()
    mutants = [m for m in list_mutants(plan, checks) if not only or m.check in only]
    with Session(plan, secrets, options, progress.on_progress) as session:
        progress.scrub = session.scrub
        progress.say(f"  lab   ready for power in {session.start():.1f} s")
        session.run()
        wrong = [f for f in session.machine.findings() if f.outcome not in ("PASS", "NOT_APPLICABLE")]
        if wrong or any(s.outcome != "PASS" for s in session.machine.results()):
            text = "expected a branch that is proven as it is, saw one that is not: see the verdict above"
            raise InputError((Problem(f"{plan.branch.profile}, site {plan.branch.site}", 0, 0, "", text),))
        rounds = []
        with closing(Mutation(session, plan, checks)) as mutation:
            for number, done in enumerate(mutation.run(mutants), 1):
                rounds.append(done)
                progress.say(round_line(number, len(mutants), done))
            left = mutation.restore()
        session.folder.save(REPORT, render_report(rounds, left))
        session.conclude()
        return Outcome(tuple(rounds), left, session.folder.path)


def render_report(rounds: Sequence[Round], left: Sequence[Finding]) -> bytes:
    """Return the rounds as JSON, for the run's folder."""
    listed = [
        {
            "title": r.mutant.spoil.title,
            "key": r.mutant.spoil.key,
            "check": r.mutant.check,
            "judgement": r.judgement,
            "by": list(r.by),
            "ran": list(r.ran),
            "took_s": r.took_s,
            "findings": to_json(r.findings),
        }
        for r in rounds
    ]
    return json.dumps({"rounds": listed, "after": to_json(tuple(left))}, indent=2, ensure_ascii=False).encode() + b"\n"
