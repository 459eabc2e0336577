"""The verdict in words: what a manager is told, why, and what was not proven. Layer: story, pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from harness.core.entries import LEFT_OUT, Check
from harness.core.model import Finding, Outcome, Plan, Verdict
from harness.core.registry import load_checks, load_stages
from harness.core.verdict import find_worst
from harness.reports.text import render_verdict
from harness.story.model import CheckView, Decision, StageView, Unproven


def decide(verdict: Verdict, plan: Plan, is_done: bool, faults: Sequence[Mapping[str, Any]]) -> Decision:
    """Return what to do: what failed decides whatever else there is; only what was proven whole is shipped."""
    outcomes = [s.outcome for s in verdict.stages] + [f.outcome for f in verdict.checks]
    if find_worst(outcomes) == "FAIL":
        return "do not ship"
    is_whole = is_done and not (plan.until or plan.since or verdict.facts.get("left_out") or faults)
    return "ship" if verdict.proven and is_whole else "undecided"


def tell_headline(verdict: Verdict, name: str, took_s: float, faults: Sequence[Mapping[str, Any]]) -> str:
    """Return the verdict in one line, with all that qualifies it."""
    line = " ".join(render_verdict(verdict, name, took_s).split())
    return f"{line}; with faults put upon it: {_list_faults(faults)}" if faults else line


def _list_faults(faults: Iterable[Mapping[str, Any]]) -> str:
    return ", ".join(str(f["text"]) for f in faults)


def list_grounds(
    plan: Plan,
    stages: Sequence[StageView],
    checks: Sequence[CheckView],
    decision: Decision,
    *,
    is_done: bool,
    faults: Sequence[Mapping[str, Any]],
) -> tuple[str, ...]:
    """Return one sentence for each thing that the decision rests on, what came first first."""
    told = [f"Faults were put upon this run on purpose: {_list_faults(faults)}."] if faults else []
    if decision == "undecided":
        told += _qualify(plan, checks)
    if not is_done:
        running = next((s.name for s in stages if s.state == "running"), None)
        told.append(f"The run was broken off {f'while {running} was under way' if running else 'before its end'}.")
        if decision == "undecided":
            return tuple(told)  # else each thing that did not come to its end would be told
    wanted = "FAIL" if decision == "do not ship" else "INCONCLUSIVE"
    found = [line for stage in stages if stage.outcome == wanted for line in _tell_stage(stage, wanted)]
    found += [_tell(f.check, f) for c in checks for f in c.findings if f.outcome == wanted]
    return (*told, *(found or _tell_held(stages, checks)))


def _qualify(plan: Plan, checks: Sequence[CheckView]) -> Iterator[str]:
    """Yield what keeps a run in which nothing failed from proving a profile whole."""
    if plan.since:
        yield f"The run was taken up again at {plan.since}: what comes before was not run again."
    if plan.until:
        yield f"The run was to end with {plan.until}: what comes after was not tried."
    left_out = [c.name for c in checks if any(f.seen == LEFT_OUT for f in c.findings)]
    if left_out:
        yield f"{_count(left_out, 'check')} left out on request."


def _tell_held(stages: Sequence[StageView], checks: Sequence[CheckView]) -> Iterator[str]:
    reached = [s for s in stages if s.outcome == "PASS"]
    held = [f for c in checks for f in c.findings if f.outcome == "PASS"]
    if reached:
        yield f"{_count(reached, 'stage')} reached within budget, each seen by its witness."
    if held:
        yield f"{len(held)} claims of {len({f.check for f in held})} checks hold, and none fails."


def _count(found: Sequence[Any], noun: str) -> str:
    return f"1 {noun} was" if len(found) == 1 else f"{len(found)} {noun}s were"


def _tell_stage(stage: StageView, wanted: Outcome) -> list[str]:
    return [_tell(stage.name, f) for f in stage.findings if f.outcome == wanted] or [f"{stage.name}: {stage.summary}."]


def _tell(name: str, finding: Finding) -> str:
    expected = f"; expected {finding.expected}" if finding.expected else ""
    return f"{name}: {finding.claim}{expected}; seen {finding.seen}."


# ---------------------------------------------------------------- what was not proven


def list_unproven(
    plan: Plan, stages: Sequence[StageView], checks: Sequence[CheckView], facts: Mapping[str, Any], is_done: bool
) -> tuple[Unproven, ...]:
    """Return all that a reader might take for proven and that is not, and why."""
    cut = () if is_done else (Unproven("run", "the rest of the run", "INCONCLUSIVE", "broken off before its end"),)
    return (
        *cut,
        *_list_open(stages, checks),
        *_list_untried(plan, stages),
        *_list_unsoaked(plan),
        *_list_compressed(plan),
        *_list_means(facts),
    )


_OPEN = ("NOT_APPLICABLE", "INCONCLUSIVE")


def _list_open(stages: Sequence[StageView], checks: Sequence[CheckView]) -> Iterator[Unproven]:
    """Yield what was not judged: a stage as a whole, or single claims of it, and each claim of a check."""
    for stage in stages:
        if stage.outcome in _OPEN:
            yield Unproven(stage.name, stage.title, stage.outcome, stage.summary)
        else:
            yield from (Unproven(f.check, f.claim, f.outcome, f.seen) for f in stage.findings if f.outcome in _OPEN)
    for check in checks:
        yield from (Unproven(check.name, f.claim, f.outcome, f.seen) for f in check.findings if f.outcome in _OPEN)


def _list_untried(plan: Plan, stages: Sequence[StageView]) -> Iterator[Unproven]:
    """Yield what comes after the end that the run was given."""
    if plan.until is None:
        return
    tried = {s.name for s in stages}
    why = f"not tried: the run was to end with {plan.until}"
    later = [s for s in load_stages() if s.name not in tried]
    yield from (Unproven(s.name, s.title, "INCONCLUSIVE", why) for s in later)
    checks: Iterable[Check] = (c for c in load_checks() if c.after not in tried)
    yield from (Unproven(c.name, c.title, "INCONCLUSIVE", why) for c in checks)


def _list_unsoaked(plan: Plan) -> Iterator[Unproven]:
    for check in load_checks():
        if not plan.soak and not plan.leaves_out(check.name) and check.why_not(plan) is None and check.soak_s(plan):
            why = f"read from the device, not waited out ({check.soak_s(plan):g} s more): --soak does"
            yield Unproven(check.name, f"{check.title}: its whole length", "INCONCLUSIVE", why)


def _list_compressed(plan: Plan) -> Iterator[Unproven]:
    if plan.pace != "field":
        field, now = plan.hardware, plan.waits
        why = (
            f"compressed (pace {plan.pace}): boot {now.boot_s:g} s, modem registration {now.modem_registration_s:g} s, "
            f"flash write {now.flash_write_s:g} s; pace field takes those of {field.name}"
        )
        yield Unproven("pace", "the hardware's own waits", "INCONCLUSIVE", why)


def _list_means(facts: Mapping[str, Any]) -> Iterator[Unproven]:
    """Yield each thing that was done by one means only, where the bench said why: another was not tried."""
    nodes: dict[tuple[str, str, str], list[str]] = {}
    listed = facts.get("means")
    for one in listed if isinstance(listed, list | tuple) else ():
        if isinstance(one, Mapping) and one.get("reason"):
            key = (str(one.get("what")), str(one.get("means")), str(one["reason"]))
            nodes.setdefault(key, []).append(str(one.get("node")))
    for (what, means, reason), named in nodes.items():
        why = f"{' and '.join(dict.fromkeys(named))} used {means}: {reason}"
        yield Unproven(f"means.{what}", f"{what} by other means than {means}", "INCONCLUSIVE", why)
