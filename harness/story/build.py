"""A machine that ran (by replay, or live) and a timeline, told as one story. Layer: story, pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from harness.core.machine import RunMachine
from harness.core.registry import load_faults
from harness.core.timing import to_ns, to_s
from harness.core.verdict import combine
from harness.diagnosis.diagnose import Diagnosis, Ground, Named
from harness.story.lanes import list_events, list_lanes, list_observations
from harness.story.model import CauseView, Story
from harness.story.parts import list_parts
from harness.story.posture import view_checks, view_clauses, view_stages
from harness.story.reach import build_reach
from harness.story.series import list_series
from harness.story.words import decide, list_grounds, list_unproven, tell_headline
from harness.timeline.entries import measure_wall
from harness.timeline.merge import Timeline


def build_story(
    run: str,
    machine: RunMachine,
    timeline: Timeline,
    *,
    ended_ns: int,
    facts: Mapping[str, Any],
    diagnosis: Diagnosis | None = None,
    faults: Mapping[str, Any] | None = None,
    notes: Sequence[str] = (),
) -> Story:
    """Return the story of the run in the folder of that name. `ended_ns`: when the machine was fed last. `facts`: of
    verdict.json, or empty. `faults`: as in faults.json, or None. Outcomes are the machine's alone."""
    plan, zero_ns = machine.plan, timeline.zero_ns
    verdict = combine(plan, machine, {**facts, "since": plan.since})
    put_upon = list_faults(faults or {})
    stages, checks = view_stages(machine, zero_ns), view_checks(machine, zero_ns)
    lanes = list_lanes(plan)
    events, homeless = list_events(timeline, lanes, verdict.stages)
    last_ns = max([ended_ns, *(e.at_ns for e in timeline.entries)])
    ended_s = to_s(last_ns - zero_ns)
    decision = decide(verdict, plan, machine.done, put_upon)
    name = f"{plan.branch.profile} / {plan.branch.site}"
    return Story(
        run=run,
        profile=plan.branch.profile,
        site=plan.branch.site,
        pace=plan.pace,
        decision=decision,
        proven=verdict.proven,
        headline=tell_headline(verdict, name, to_s(ended_ns - zero_ns), put_upon),
        why=list_grounds(plan, stages, checks, decision, is_done=machine.done, faults=put_upon),
        unproven=list_unproven(plan, stages, checks, facts, machine.done),
        ended_s=ended_s,
        stages=stages,
        checks=checks,
        lanes=lanes,
        events=events,
        observations=list_observations(machine.evidence, zero_ns),
        parts=list_parts(plan, machine.evidence, zero_ns, zero_ns + to_ns(ended_s)),
        reach=build_reach(plan, verdict.checks),
        clauses=view_clauses(plan, verdict),
        series=list_series(plan, machine.evidence, zero_ns, find_offset(facts) or 0),
        is_diagnosed=diagnosis is not None,
        causes=tuple(_view_cause(n) for n in diagnosis.named) if diagnosis else (),
        faults=put_upon,
        facts=verdict.facts,
        notes=(*notes, *timeline.notes, *homeless),
        zero_wall_ns=None if (wall := measure_wall(machine.evidence, "")) is None else zero_ns + wall.offset_ns,
    )


def find_offset(facts: Mapping[str, Any]) -> int | None:
    """Return the nodes' monotonic clock less the harness's, None where the run did not live to say."""
    clock = facts.get("clock")
    offset_ns = clock.get("offset_ns") if isinstance(clock, Mapping) else None
    return offset_ns if isinstance(offset_ns, int) else None


def list_faults(outcome: Mapping[str, Any]) -> tuple[Mapping[str, Any], ...]:
    """Return what was put upon a run, one mapping a fault, of a trial's outcome as JSON (faults.json)."""
    known = {f.name: f for f in load_faults()}
    texts = outcome.get("faults")
    came = {key: outcome.get(key) for key in ("outcome", "expected", "seen")}
    listed = []
    for text in texts if isinstance(texts, list | tuple) else ():
        name = str(text).partition(":")[0]
        fault = known.get(name)
        told = {"title": fault.title, "family": fault.family, "cause": fault.cause} if fault else {}
        listed.append({"text": str(text), "name": name, "title": name, "family": "", "cause": "", **told, **came})
    return tuple(listed)


def _view_cause(named: Named) -> CauseView:
    cause = named.cause
    return CauseView(
        name=cause.name,
        title=cause.title,
        sentence=cause.sentence,
        tell_apart=cause.tell_apart,
        at_bench=cause.at_bench,
        at_site=cause.at_site,
        grounds=_view_grounds(named.grounds),
        against=_view_grounds(named.against),
    )


def _view_grounds(grounds: Sequence[Ground]) -> tuple[tuple[str, tuple[int, ...]], ...]:
    return tuple((g.text, g.evidence) for g in grounds)
