"""A run taken up again in the lab that it left up: found, checked, joined, told what changed. Layer: top, below app.

Everything that can be known to be wrong is said before the lab is touched. The stand-ins are told what changed while
nothing is judged yet: what one does from then on is of the new run, what it did before goes on a tape of its own.
Not here: the run itself (app.Session), what may be taken up (core/resumption.py), what can be told (lab/orders.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NoReturn

from harness.core.entries import ANSWERED
from harness.core.model import Ask, Observation, Plan, TapeEntry
from harness.core.registry import load_stages
from harness.core.replay import replay
from harness.core.resumption import find_reason, find_unseen, part_news, take_along
from harness.errors import InputError, LabError, Problem
from harness.lab.docker_lab import DockerLab
from harness.lab.engine import Engine
from harness.lab.kept import KeptLab, check_free, find_lab, find_run_id, list_gone, load_papers
from harness.lab.orders import Order, Orders, build_orders
from harness.lab.papers import Papers
from harness.lab.ports import Clock
from harness.run_folder import SavedRun, load_run
from harness.runner import Sink

TELL_S = 30.0
"""For the stand-ins to take what they are told: milliseconds each; a loaded machine gets a wide margin."""
STANDING = ("carrier", "management")
"""Nodes that are asked how the branch stands there."""
_NOT_HELD = ("FAIL", "INCONCLUSIVE")


@dataclass(frozen=True, slots=True)
class KeptRun:
    """A run whose lab is still up. `folder`: where it was written."""

    engine: Engine
    lab: KeptLab
    papers: Papers
    saved: SavedRun
    folder: Path

    def close(self) -> None:
        """Let go of the engine."""
        self.engine.close()


def open_kept(run: str) -> KeptRun:
    """Find a run's lab and what is known of it. `run`: a run's folder, or a lab's id. Raises: InputError, LabError."""
    run_id = find_run_id(run)
    engine = Engine()
    try:
        lab = find_lab(engine, run_id)
        check_free(engine, run_id)
        papers = load_papers(engine, lab)
        folder = Path(papers.folder)
        if Path(run).is_dir() and Path(run).resolve() != folder.resolve():
            _refuse(run, "", f"the lab has been gone on with since: name its last run, {folder}")
        if not papers.powered:
            _refuse(run, "", "the router has no power in this lab: start over with `branchproof prove`")
        if gone := list_gone(papers, lab):
            _refuse(run, "", f"not running any more: {', '.join(gone)}: start over with `branchproof prove`")
        return KeptRun(engine, lab, papers, load_run(folder), folder)
    except BaseException:
        engine.close()
        raise


class GoingOn:
    """A run's second half: `Session` is given one in place of a lab of its own."""

    def __init__(self, kept: KeptRun, plan: Plan, secrets: Mapping[str, str]) -> None:
        """`plan`: with `since`. Raises: InputError naming every change that cannot be told."""
        assert plan.since is not None
        self._kept, self._since = kept, plan.since
        self.run_id, self.source, self.folder = kept.lab.run, kept.folder.name, str(kept.folder)
        self.lab = DockerLab(plan, secrets, self.run_id, materials=kept.papers.materials)
        self._orders = self._find_orders(plan)
        machine = replay(kept.saved.plan, kept.saved.tape)
        stages = [s.name for s in load_stages()]
        news = any(key.startswith("management config") for key in self._orders.changed)
        reason = find_reason(machine, self._since, stages, news=news)
        if reason is not None:
            _refuse(str(kept.folder), "--from", reason)
        self._is_again = any(p.name == self._since and p.state in ("reached", "taken") for p in machine.progress)
        self._along = take_along(machine, self._since)
        before = stages[: stages.index(self._since)]
        doubted = tuple(r.stage for r in machine.results() if r.stage in before and r.outcome in _NOT_HELD)
        self.plan = replace(plan, doubted=doubted)
        """The plan to run: it says which of the stages taken as reached are in doubt."""

    @property
    def changed(self) -> tuple[str, ...]:
        """The settings that changed, by node and key."""
        return self._orders.changed

    def _find_orders(self, plan: Plan) -> Orders:
        papers = self._kept.papers
        planned = {s.name for s in self.lab.topology.services.values() if s.network_mode != "host"}
        if planned != {n for n in papers.nodes if n in planned} or set(papers.subnets) != set(
            self.lab.topology.networks
        ):
            _refuse("plan", "", "other ports or uplinks than the lab has: start over with `branchproof prove`")
        names = list(plan.branch.acceptance.budgets_s)
        orders = build_orders(papers.seeds, self.lab.plan_seeds(papers), self._since, names)
        problems = [
            Problem("plan", 0, 0, key, "cannot be told in a lab that is up: start over with `branchproof prove`")
            for key in orders.untold
        ]
        problems += [
            Problem("plan", 0, 0, key, f"{stage} rests on it: go on from there, or start over")
            for key, stage in orders.early
        ]
        if problems:
            raise InputError(tuple(problems))
        return orders

    def join(self, sink: Sink, clock: Clock) -> tuple[TapeEntry, ...]:
        """Join the lab and tell it what changed; `sink` gets all that is still of before. Returns what the machine is
        to be given before its start. Raises: InputError, LabError."""
        kept = self._kept
        self.lab.take_over(kept.engine, kept.lab.containers, kept.papers)
        try:
            self._begin(sink, clock)
        except BaseException:
            self.lab.forget_told(kept.papers.seeds)
            raise
        now_ns = clock.now_ns()
        return tuple(TapeEntry("observation", now_ns, observation) for observation in self._along)

    def _begin(self, sink: Sink, clock: Clock) -> None:
        began_ns = clock.now_ns()
        if not self._is_again:
            self._check_unseen(sink, clock)
        seen, answers = self._ask_all([(o.node, o.verb, o.args) for o in self._orders.to_tell], clock)
        told = {o.node: _find_told_ns(o, seen, a) for o, a in zip(self._orders.to_tell, answers, strict=True)}
        old, new = part_news(seen, told, began_ns)
        for observation in old:
            sink.write(TapeEntry("observation", clock.now_ns(), observation))
        self.lab.give_back(new)

    def _check_unseen(self, sink: Sink, clock: Clock) -> None:
        seen, answers = self._ask_all([(node, "standing", {}) for node in STANDING], clock)
        for observation in seen:
            sink.write(TapeEntry("observation", clock.now_ns(), observation))
        standing = {node: answer.data.get("result") for node, answer in zip(STANDING, answers, strict=True)}
        if (unseen := find_unseen(self._since, standing)) is not None:
            text = f"{unseen} was reached since the run ended, and nobody watched: start over, or go on from tunnel_up"
            _refuse(str(self._kept.folder), "--from", text)

    def _ask_all(
        self, asks: Sequence[tuple[str, str, Mapping[str, Any]]], clock: Clock
    ) -> tuple[list[Observation], list[Observation]]:
        """Ask one after the other; return all that was seen meanwhile, and the answers. Raises: LabError."""
        seen: list[Observation] = []
        answers: list[Observation] = []
        for number, (node, verb, args) in enumerate(asks):
            label = f"resume.{verb}.{number}"
            self.lab.perform(Ask(node, verb, args, label))
            answers.append(self._wait_answer(node, label, seen, clock))
        return seen, answers

    def _wait_answer(self, node: str, label: str, seen: list[Observation], clock: Clock) -> Observation:
        deadline_ns = clock.now_ns() + int(TELL_S * 1e9)
        while (observation := self.lab.wait_observation(deadline_ns)) is not None:
            seen.append(observation)
            if observation.kind == ANSWERED and observation.data.get("label") == label:
                if observation.data.get("ok") is True:
                    return observation
                break
        said = "nothing" if observation is None else str(observation.data.get("error"))
        raise LabError(
            expected=f"{node} to take {label}", seen=said, where=f"node {node} of run {self.run_id}",
            hint="start over: branchproof prove",
        )  # fmt: skip


def _find_told_ns(order: Order, seen: Sequence[Observation], answer: Observation) -> int:
    opened = [o.at_ns for o in seen if o.source == order.node and o.kind == order.opens]
    return opened[-1] if opened else answer.at_ns


def _refuse(where: str, key: str, text: str) -> NoReturn:
    raise InputError((Problem(where, 0, 0, key, text),))
