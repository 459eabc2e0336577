"""Runs the machine over a list of what happened, with a clock that jumps. Layer: core, pure; shipped with EXAMPLES.

No lab and no waiting: each observation is delivered at its own instant plus a delay, and the machine is woken at its
deadlines in between. Within one source the order stays (a stand-in has one output); between sources the delays make it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from harness.core.entries import ANSWERED, Check, Example, Stage
from harness.core.machine import RunMachine
from harness.core.model import Action, Observation, Outcome, Plan
from harness.core.registry import load_check_examples, load_stage_examples
from harness.core.sample import build_plan
from harness.core.timing import NS_PER_S
from harness.core.verdict import find_worst

CHECKS_BEGIN_S = 40.0
"""When the first check of the nominal run begins: after the last stage's example."""


@dataclass(frozen=True, slots=True)
class Input:
    """One input that the machine got, as a tape holds it."""

    kind: Literal["start", "observation", "tick"]
    now_ns: int
    observation: Observation | None = None


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """A machine that is done, the inputs that it got and the actions that it asked for."""

    machine: RunMachine
    tape: tuple[Input, ...]
    actions: tuple[Action, ...]


def no_delay(index: int) -> int:
    """Deliver at once."""
    return 0


def rehearse(
    machine: RunMachine,
    observations: Sequence[Observation],
    find_delay_ns: Callable[[int], int] = no_delay,
    start_ns: int = 0,
) -> Rehearsal:
    """Feed a new machine to its end. `find_delay_ns`: by an observation's place in the list."""
    tape = [Input("start", start_ns)]
    actions = list(machine.start(start_ns))

    def wake(until_ns: int | None) -> None:
        while (due := machine.deadline_ns) is not None and (until_ns is None or due <= until_ns):
            tape.append(Input("tick", due))
            actions.extend(machine.on_tick(due))

    for now_ns, observation in _deliver(observations, find_delay_ns):
        wake(now_ns)
        if machine.done:
            break
        tape.append(Input("observation", now_ns, observation))
        actions.extend(machine.on_observation(observation, now_ns))
    wake(None)
    return Rehearsal(machine, tuple(tape), tuple(actions))


def _deliver(observations: Sequence[Observation], find_delay_ns: Callable[[int], int]) -> list[tuple[int, Observation]]:
    last_ns: dict[str, int] = {}
    delivered: list[tuple[int, Observation]] = []
    for index, seen in sorted(enumerate(observations), key=lambda pair: pair[1].at_ns):
        last_ns[seen.source] = max(last_ns.get(seen.source, 0), seen.at_ns + find_delay_ns(index))
        delivered.append((last_ns[seen.source], replace(seen, received_ns=last_ns[seen.source])))
    return sorted(delivered, key=lambda pair: pair[0])


def rehearse_example(entry: Stage | Check, example: Example) -> Outcome:
    """Return what comes of an example: of a stage by itself, of a check whose stage was reached.

    It begins one second before the first thing that happens in it.
    """
    plan: Plan = example.plan or build_plan()
    if isinstance(entry, Stage):
        start_ns = max(0, min((s.at_ns for s in example.observations), default=0) - NS_PER_S)
        machine = rehearse(RunMachine(plan, [entry], []), example.observations, start_ns=start_ns).machine
        return machine.results()[0].outcome
    reached = Stage(entry.after, 0, "", "", lambda plan: (), lambda plan, evidence: (), lambda plan, evidence: "")
    machine = rehearse(RunMachine(plan, [reached], [entry]), example.observations).machine
    return find_worst(f.outcome for f in machine.findings())


def list_nominal() -> tuple[Observation, ...]:
    """Return a whole run of the sample plan that is proven: each entry's first example. Those of checks that do not
    disturb each other begin together, all others one after the other. An ask has one answer a run: the first listed."""
    listed: list[Observation] = []
    for _, examples in load_stage_examples():
        listed += [seen for seen in examples[0].observations if seen not in listed]
    begin_ns = round(CHECKS_BEGIN_S * 1e9)
    checks = [(check, examples[0].observations) for check, examples in load_check_examples()]
    groups = [
        [seen for check, seen in checks if not check.disturbs],
        *([seen] for check, seen in checks if check.disturbs),
    ]
    for group in groups:
        moved = [replace(s, at_ns=s.at_ns + begin_ns, wall_ns=s.wall_ns + begin_ns) for seen in group for s in seen]
        answered = {label for s in listed if (label := _find_label(s)) is not None}
        for seen in moved:
            label = _find_label(seen)
            if label is None or label not in answered:
                listed.append(seen)
            if label is not None:
                answered.add(label)
        begin_ns = max((begin_ns, *(s.at_ns for s in moved))) + 2 * NS_PER_S
    return tuple(sorted(listed, key=lambda s: s.at_ns))


def _find_label(seen: Observation) -> str | None:
    label = seen.data.get("label") if seen.kind == ANSWERED else None
    return None if label is None else str(label)
