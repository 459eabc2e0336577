"""The words for what came of a step: reached, missed, broken, blocked, set aside. Layer: core, pure.

A missed stage's finding says what was awaited and within what time, then what is known of why: refusals and the like
(the stage's `hints`), what came too late, or else the last thing seen of the router. Not here: when (machine.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.core.entries import Answer, Check, Evidence, Hint, Need, Seen, Stage, leave_open, number, set_aside
from harness.core.model import Finding, Plan, StageResult
from harness.core.verdict import find_worst

MAX_HINTS = 4


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
