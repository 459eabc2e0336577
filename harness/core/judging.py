"""What came of a step, and the words for it: reached, missed, broken, blocked, set aside. Layer: core, pure.

Laws: a judge reads what had happened by `until_ns`, in the order in which it happened; only what explains a miss (a
probe that failed, what came too late) is looked for in all that is known. A missed stage's finding says what was
awaited and within what time, then what is known of why: refusals and the like (the stage's `hints`), what came too
late, or else the last thing seen of the router. Not here: when (machine.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.core.entries import Answer, Check, Evidence, Hint, Need, Seen, Stage, leave_open, number, set_aside
from harness.core.model import Finding, Plan, StageResult
from harness.core.steps import Step, find_failed_answer, find_reason, list_open_labels
from harness.core.timing import Window, to_s
from harness.core.verdict import find_worst

MAX_HINTS = 4


def judge_step(plan: Plan, step: Step, known: Evidence, until_ns: int) -> None:
    """Write a closed step's result or findings into it, over all that had happened by `until_ns`."""
    evidence = known.as_happened(until_ns)
    if isinstance(step.entry, Stage):
        step.result = _judge_stage(plan, step, step.entry, evidence, known)
    else:
        step.findings = _judge_check(plan, step, step.entry, evidence)


def _judge_stage(plan: Plan, step: Step, stage: Stage, evidence: Evidence, known: Evidence) -> StageResult:
    if step.state == "taken":
        return result_taken(plan, stage.name, step.budget_s)
    assert step.window is not None
    if step.state == "blocked":
        return result_blocked(stage.name, step.budget_s, step.blocked_by)
    if step.state == "reached":
        assert step.reached_ns is not None
        took_s = to_s(step.reached_ns - step.window.opens_ns)
        return result_reached(plan, stage, evidence, took_s=took_s, budget_s=step.budget_s, met=step.met.values())
    unmet = [n for place, n in enumerate(stage.needs(plan)) if place not in step.met]
    failed = find_failed_answer(step, known)
    if step.state == "broken":
        return result_broken(stage, step.budget_s, failed)
    late = _find_late(plan, unmet, step.window, known)
    return result_missed(stage, step.budget_s, unmet, evidence, late=late, failed=failed)


def _find_late(plan: Plan, unmet: Sequence[Need], window: Window, known: Evidence) -> tuple[Seen, float] | None:
    """Return what met a need after the window closed, and by how many seconds it was late."""
    for seen in known:
        if seen.at_ns > window.closes_ns and any(n.matches(plan, seen.observation) for n in unmet):
            return seen, to_s(seen.at_ns - window.closes_ns)
    return None


def _judge_check(plan: Plan, step: Step, check: Check, evidence: Evidence) -> tuple[Finding, ...]:
    if step.state == "blocked":
        return (finding_blocked(check, step.blocked_by),)
    if step.state == "set_aside":
        return (finding_set_aside(check, find_reason(plan, check) or ""),)
    silent = list_open_labels(step, evidence)
    if silent:
        return (finding_silent(check, silent),)
    return check.judge(plan, evidence)


# ---------------------------------------------------------------- the words


def result_unsettled(name: str, budget_s: float) -> StageResult:
    """Return the result of a stage that is not over."""
    return StageResult(name, "INCONCLUSIVE", None, budget_s, "not run to its end", ())


def result_blocked(name: str, budget_s: float, by: str) -> StageResult:
    """Return the result of a stage that could not begin."""
    return StageResult(name, "INCONCLUSIVE", None, budget_s, f"blocked by {by}", ())


def result_reached(
    plan: Plan, stage: Stage, evidence: Evidence, *, took_s: float, budget_s: float, met: Iterable[Seen]
) -> StageResult:
    """Return the result of a stage that was reached: a PASS if all it also asserts holds."""
    findings = stage.judge(plan, evidence)
    outcome = find_worst(["PASS", *(f.outcome for f in findings)])
    return StageResult(stage.name, outcome, took_s, budget_s, stage.summary(plan, evidence), findings, number(met))


def result_taken(plan: Plan, name: str, budget_s: float) -> StageResult:
    """Return the result of a stage that a resumed run did not run again: a claim of it that did not hold in the run
    before is no better for that."""
    if name in plan.doubted:
        text = "not run again: reached in the run before, but a claim of it did not hold there"
        return StageResult(name, "INCONCLUSIVE", None, budget_s, text, ())
    return StageResult(name, "NOT_APPLICABLE", None, budget_s, "not run again: taken as reached", ())


def result_broken(stage: Stage, budget_s: float, failed: Answer | None) -> StageResult:
    """Return the result of a stage whose own probe broke: nothing is known of the subject."""
    seen = "the bench's probe broke: " + (failed.error if failed is not None and failed.error else "no reason given")
    finding = leave_open(stage.name, stage.witness, "a probe that works", seen, [failed])
    return StageResult(stage.name, "INCONCLUSIVE", None, budget_s, seen, (finding,), finding.evidence)


def result_missed(
    stage: Stage,
    budget_s: float,
    unmet: Sequence[Need],
    evidence: Evidence,
    *,
    late: tuple[Seen, float] | None,
    failed: Answer | None,
) -> StageResult:
    """Return the result of a stage that was not reached in time."""
    awaited = " and ".join(n.text for n in unmet) or stage.witness
    seen, shown = _explain(stage, evidence, late, failed)
    finding = Finding(stage.name, "FAIL", stage.witness, f"within {budget_s:g} s: {awaited}", seen, number(shown))
    return StageResult(stage.name, "FAIL", None, budget_s, "not reached", (finding,), finding.evidence)


def _explain(
    stage: Stage, evidence: Evidence, late: tuple[Seen, float] | None, failed: Answer | None
) -> tuple[str, list[Seen]]:
    if late is not None:
        return f"{_name(late[0])} came {late[1]:.1f} s too late", [late[0]]
    parts: list[str] = []
    shown: list[Seen] = []
    if failed is not None:
        parts.append(f"{failed.seen.observation.source} got no answer: {failed.error}")
        shown.append(failed.seen)
    for hint in stage.hints:
        found = [s for s in evidence.find_all(hint.source, hint.kind) if hint.accepts(s.observation)]
        if found:
            parts.append(_tell(hint, found))
            shown += found
    if parts:
        more = f"; and {len(parts) - MAX_HINTS} kinds more" if len(parts) > MAX_HINTS else ""
        return "; ".join(parts[:MAX_HINTS]) + more, shown
    last = next((s for s in reversed(list(evidence)) if s.observation.source == "router"), None)
    if last is None:
        return "nothing: the router has not been heard at all", []
    return (
        f"nothing of it; the last heard of the router was {last.observation.kind} {_fields(last, tuple(last.data))}",
        [last],
    )


def _tell(hint: Hint, found: Sequence[Seen]) -> str:
    told: dict[str, int] = {}
    for seen in found:
        text = _fields(seen, hint.fields)
        told[text] = told.get(text, 0) + 1
    listed = [f"{text} ({count} times)" if count > 1 else text for text, count in told.items()]
    more = f", and {len(listed) - 3} more" if len(listed) > 3 else ""
    return f"{hint.source} {hint.kind} " + ", ".join(listed[-3:]) + more


def _fields(seen: Seen, names: tuple[str, ...]) -> str:
    return " ".join(f"{n}={seen.data[n]}" for n in names if seen.data.get(n) is not None)


def _name(seen: Seen) -> str:
    return f"{seen.observation.source} {seen.observation.kind}"


def finding_unsettled(check: Check) -> Finding:
    """Return the finding of a check that is not over."""
    return leave_open(check.name, check.title, "", "not run to its end")


def finding_blocked(check: Check, by: str) -> Finding:
    """Return the finding of a check that could not begin."""
    return leave_open(check.name, check.title, f"{by} reached first", f"blocked by {by}")


def finding_set_aside(check: Check, reason: str) -> Finding:
    """Return the finding of a check that the plan does not ask for."""
    return set_aside(check.name, check.title, reason)


def finding_silent(check: Check, labels: Sequence[str]) -> Finding:
    """Return the finding of a check whose probes did not answer in time."""
    expected = f"answers within {check.timeout_s:g} s"
    return leave_open(check.name, check.title, expected, f"nothing from the probes {', '.join(labels)}")
