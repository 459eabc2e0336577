"""What came of a trial: claim by claim, and in the words of a table. Layer: trial, pure.

A trial is as expected when the fault bit, the bring-up went as far as it should, service was there or not while the
cause lasted, the branch came back by itself in time, and every invariant held. What the bench could not do, or see, is
INCONCLUSIVE. With several faults at once there is no one expectation: then only bites, return and invariants count.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.entries import Evidence, Seen, hold, leave_open
from harness.core.faults import Expectation
from harness.core.model import Finding, Outcome, StageResult
from harness.core.timing import to_s
from harness.core.verdict import find_worst
from harness.trial.notes import Notes
from harness.trial.service import has_looked
from harness.trial.trial import Trial

CHECK = "trial"
"""The name under which a trial's own findings go."""


@dataclass(frozen=True, slots=True)
class TrialOutcome:
    """`stopped`: first stage that was not passed, None where all were. `serves`: whether the branch was in service
    while the cause lasted; None: not looked at. `back_s`: seconds from the end of the cause until the branch was back;
    None where it was not, or never asked."""

    faults: tuple[str, ...]
    outcome: Outcome
    expected: str
    seen: str
    stopped: str | None
    serves: bool | None
    back_s: float | None
    findings: tuple[Finding, ...]
    expectation: Expectation | None
    """Of one fault; None of several."""
    causes: tuple[str, ...]
    """Names that a diagnosis may give it, the best first."""


def judge_trial(trial: Trial) -> TrialOutcome:
    """Return what came of a trial that is done."""
    one = trial.notes[0] if len(trial.notes) == 1 else None
    back_s = find_back_s(trial)
    findings = [_judge_bite(trial, note) for note in trial.notes]
    if trial.broken is not None:
        findings.append(leave_open(CHECK, "the bench does its part", "faults set in and end when told", trial.broken))
    if one is not None:
        findings.append(_judge_stage(trial, one.expectation))
        if one.expectation.serves is not None:
            findings.append(_judge_service(trial, one.expectation.serves))
    findings.append(_judge_back(trial, back_s))
    findings += trial.invariants
    outcome = find_worst(f.outcome for f in findings)
    if trial.broken is not None:
        outcome = "INCONCLUSIVE"
    return TrialOutcome(
        faults=tuple(n.applied.text for n in trial.notes),
        outcome=outcome,
        expected=_tell_expected(one.expectation) if one else "back by itself, and safe",
        seen=_tell_seen(trial),
        stopped=stopped.stage if (stopped := find_stopped(trial.machine.results())) else None,
        serves=trial.serves,
        back_s=back_s,
        findings=tuple(findings),
        expectation=one.expectation if one else None,
        causes=one.expectation.causes
        if one
        else tuple(n.expectation.causes[0] for n in trial.notes if n.expectation.causes),
    )


def find_back_s(trial: Trial) -> float | None:
    """Return the seconds from the end of the cause until the branch was back."""
    if trial.back is None or trial.gone_ns is None:
        return None
    return to_s(max(s.at_ns for s in trial.back) - trial.gone_ns)


def find_stopped(results: tuple[StageResult, ...]) -> StageResult | None:
    """Return the first stage that was not passed, or None."""
    return next((r for r in results if r.outcome not in ("PASS", "NOT_APPLICABLE")), None)


def _judge_bite(trial: Trial, note: Notes) -> Finding:
    claim = f"{note.applied.text} was there, and bit"
    if note.state == "never":
        return leave_open(CHECK, claim, "its onset", "the run never came so far")
    shown = trial.find_shown(note)
    expected = "what it does to the branch can be seen"
    if shown is None:
        return leave_open(CHECK, claim, expected, "nothing of it: what was tried was another thing than meant")
    return hold(CHECK, True, claim, expected, _tell(shown), [shown])


def _judge_stage(trial: Trial, expectation: Expectation) -> Finding:
    stopped = find_stopped(trial.machine.results())
    expected = f"{expectation.stage} is not passed" if expectation.stage else "every stage is passed"
    seen = f"{stopped.stage} is not passed ({stopped.outcome})" if stopped else "every stage is passed"
    claim = "the bring-up comes as far as it should"
    if stopped is not None and stopped.outcome == "INCONCLUSIVE":
        return leave_open(CHECK, claim, expected, seen)
    shown = [Seen(n, trial.machine.evidence[n]) for n in (stopped.evidence if stopped else ())]
    return hold(CHECK, (stopped.stage if stopped else None) == expectation.stage, claim, expected, seen, shown)


def _judge_service(trial: Trial, serves: bool) -> Finding:
    words = {True: "in service", False: "out of service", None: "not looked at"}
    claim = "service while the cause lasts"
    if trial.serves is None:
        return leave_open(CHECK, claim, words[serves], words[None])
    return hold(CHECK, trial.serves is serves, claim, words[serves], words[trial.serves])


def _judge_back(trial: Trial, back_s: float | None) -> Finding:
    within_s = trial.back_within_s
    claim = "the branch is back by itself once the cause is gone"
    expected = f"within {within_s:g} s: a client's echo at HQ, a heartbeat at management"
    if trial.gone_ns is None or trial.broken:
        return leave_open(CHECK, claim, expected, "the cause is not known to be gone")
    if back_s is None and not has_looked(trial.evidence, "recovery"):
        return leave_open(CHECK, claim, expected, "no look of the bench's came to an end")
    if back_s is None:
        return hold(CHECK, False, claim, expected, f"nothing {_tell_missing(trial)}")
    return hold(CHECK, back_s <= within_s, claim, expected, f"after {back_s:.1f} s", trial.back or ())


def _tell_missing(trial: Trial) -> str:
    gone_ns = trial.gone_ns or 0
    evidence: Evidence = trial.evidence
    beat = any(s.at_ns >= gone_ns for s in evidence.find_all("management", "heartbeat.received"))
    return "of a client's echo at HQ" if beat else "of a heartbeat at management"


def _tell_expected(expectation: Expectation) -> str:
    serving = {True: "serves", False: "no service", None: ""}[expectation.serves]
    stage = f"stops at {expectation.stage}" if expectation.stage else ("" if serving else "comes up")
    return ", ".join(filter(None, [stage, serving, f"back in {expectation.back_within_s:g} s"]))


def _tell_seen(trial: Trial) -> str:
    stopped = find_stopped(trial.machine.results())
    serving = {True: "serves", False: "no service", None: ""}[trial.serves]
    stage = f"stops at {stopped.stage}" if stopped else ("" if serving else "comes up")
    return ", ".join(filter(None, [stage, serving]))


def _tell(seen: Seen) -> str:
    told = " ".join(f"{name}={value}" for name, value in seen.data.items() if not isinstance(value, dict | list))
    return f"{seen.observation.source} {seen.observation.kind} {told}"[:200]
