"""lockout: failed log-ins block their source, and no other, after as many and for as long as the profile says.

One trial from two addresses of headquarters (the probe ``lockout_trial``): short of the stated number the right log-in
still opens; at it the source finds no door, whatever it knows; another source does. How long the block lasts is read
from the device's kernel, and waited out where the plan asks for it (`Plan.soak`), as is the time in which failures are
counted: they are then spread over it. Pure; all of it is on the tape.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from emulators.common.controls import Lockout
from harness.checks._log_ins import build_account, find_reason, get_administration
from harness.checks._shared import HQ
from harness.core.entries import (
    Answer,
    Check,
    Evidence,
    Example,
    Spoil,
    as_list,
    as_number,
    find_broken,
    hold,
    leave_open,
)
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan
from harness.core.sections import Administration

NAME = LABEL = "lockout"
SPREAD = 0.8
"""Part of the window over which failures are spread in a soak: what is left is the trial's own time."""
READING_S = 2.0
"""Tolerance of the time left: the kernel says whole seconds, and the question is under way for part of one."""
TIMEOUT_S = 60.0
SHORTER, SHORTER_S = 0.9, 5.0
"""A block is spoiled to 9/10 of its length, and by 5 s at least: more than READING_S."""
CLOSED = ("silent", "refused")


def why_not(plan: Plan) -> str | None:
    reason = find_reason(plan)
    if reason is None and get_administration(plan).lockout is None:
        return "the profile sets no lock-out"
    return reason


def _get_lockout(plan: Plan) -> Lockout:
    lockout = get_administration(plan).lockout
    if lockout is None:
        raise ValueError("expected a lock-out in the plan, saw none")
    return lockout


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    lockout = _get_lockout(plan)
    args = {**build_account(plan), "failures": lockout.failures}
    if plan.soak:
        args |= {"gap_s": lockout.within_s * SPREAD, "block_s": lockout.block_s}
    return (Ask(HQ, "lockout_trial", args, LABEL),)


def find_soak_s(plan: Plan) -> float:
    """Return the seconds that waiting adds."""
    lockout = _get_lockout(plan) if why_not(plan) is None else None
    return lockout.within_s + lockout.block_s if lockout else 0.0


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    lockout = _get_lockout(plan)
    claim = f"{lockout.failures} failed log-ins block their source"
    broken = find_broken(evidence, NAME, claim, "a trial", LABEL)
    answer = evidence.find_answer(LABEL)
    if broken is not None or answer is None or not answer.ok:
        return (broken or leave_open(NAME, claim, "a trial", "nothing: the trial did not end", [answer]),)
    prepared = answer.get("prepared")
    if not isinstance(prepared, dict) or prepared.get("ok") is not True:
        seen = f"nothing: the operator could not get in from a second address to look on ({_tell(prepared)})"
        return (leave_open(NAME, claim, "a trial", seen, [answer]),)
    findings = [
        _judge_below(lockout, answer),
        _judge_block(lockout, answer, claim),
        _judge_other(answer),
        _judge_length(lockout, answer),
    ]
    if plan.soak:
        findings.append(_judge_waiting(lockout, answer))
    return (*findings, _judge_release(answer))


def _judge_below(lockout: Lockout, answer: Answer) -> Finding:
    count = lockout.failures - 1
    claim = f"after {count} failed log-ins their source still gets in"
    wrong, still = as_list(answer.get("below")), answer.get("still")
    holds = wrong == ["auth_failed"] * count and still == "connected"
    seen = f"{_tell(wrong)}; then, with the right password: {still}"
    return hold(NAME, holds, claim, f"{count} times auth_failed, then connected", seen, [answer])


def _judge_block(lockout: Lockout, answer: Answer, claim: str) -> Finding:
    blocked = answer.get("blocked")
    tried = dict(blocked) if isinstance(blocked, dict) else {}
    expected = "all that is right finds the door closed (silent or refused)"
    seen = "; ".join(f"right {way}: {outcome}" for way, outcome in sorted(tried.items()))
    if answer.get("other") != "connected":  # nobody gets in: a closed door shows nothing
        return leave_open(NAME, claim, expected, f"{seen}; but another source does not get in either", [answer])
    failed = as_list(answer.get("at")) == ["auth_failed"]
    return hold(NAME, failed and bool(tried) and set(tried.values()) <= set(CLOSED), claim, expected, seen, [answer])


def _judge_other(answer: Answer) -> Finding:
    outcome = answer.get("other")
    claim = "another source gets in while the first is blocked"
    return hold(NAME, outcome == "connected", claim, "connected", f"{outcome}", [answer])


def _judge_length(lockout: Lockout, answer: Answer) -> Finding:
    claim = f"the block lasts {lockout.block_s:g} s"
    after_s = as_number(answer.get("shown_after_s")) or 0.0
    least_s, most_s = lockout.block_s - after_s - READING_S, lockout.block_s
    expected = f"{max(0.0, least_s):.1f} to {most_s:g} s left, {after_s:.1f} s after it began"
    shown = answer.get("shown")
    listed = as_list(shown.get("blocked")) if isinstance(shown, dict) else []
    own = [item for item in listed if isinstance(item, dict) and item.get("source") == answer.get("blocked_source")]
    left_s = as_number(own[0].get("seconds_left")) if own else None
    seen = "the device names no such source" if left_s is None else f"{left_s:g} s left"
    return hold(NAME, left_s is not None and least_s <= left_s <= most_s, claim, expected, seen, [answer])


def _judge_waiting(lockout: Lockout, answer: Answer) -> Finding:
    outcome = answer.get("waited_out")
    claim = f"after {lockout.block_s:g} s the source gets in again"
    return hold(NAME, outcome == "connected", claim, "connected", f"{outcome}", [answer])


def _judge_release(answer: Answer) -> Finding:
    outcome = answer.get("after_release")
    claim = "once the operator has released it, the source gets in"
    return hold(NAME, outcome == "connected", claim, "connected", f"{outcome}", [answer])


def _tell(seen: Any) -> str:
    return ", ".join(map(str, seen)) if isinstance(seen, list) and seen else f"{seen}"


def find_spoils(plan: Plan) -> tuple[Spoil, ...]:
    lockout = _get_lockout(plan)
    shorter_s = min(lockout.block_s * SHORTER, lockout.block_s - SHORTER_S)
    spoils = [_spoil("one failed log-in more is allowed", "failures", lockout.failures + 1)]
    if lockout.failures > 1:
        spoils.append(_spoil("one failed log-in less is allowed", "failures", lockout.failures - 1))
    if shorter_s > 0:
        spoils.append(_spoil("the block is shorter", "block_s", shorter_s))
    if plan.soak:
        spoils.append(_spoil("failures are counted for half the time", "within_s", lockout.within_s / 2))
    return (*spoils, Spoil("failed log-ins lock nobody out", "administration.lockout", _drop))


def _spoil(title: str, key: str, value: float) -> Spoil:
    def change(config: dict[str, Any]) -> None:
        config["administration"]["lockout"][key] = value

    return Spoil(title, f"administration.lockout.{key}", change)


def _drop(config: dict[str, Any]) -> None:
    config["administration"]["lockout"] = None


def bears_on(plan: Plan, clause: str) -> bool:
    """PCI DSS 4.0.1 8.3.4 asks for at most 10 attempts and at least 30 minutes: a wider rule is no evidence for it."""
    lockout = plan.branch.administration.lockout if plan.branch.administration else None
    return clause != "PCI DSS 4.0.1 8.3.4" or (
        lockout is not None and lockout.failures <= 10 and lockout.block_s >= 30 * 60
    )


CHECK = Check(
    name=NAME,
    order=130,
    title="Failed log-ins lock their source out",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=TIMEOUT_S,
    disturbs=True,
    clauses=("PCI DSS 4.0.1 8.3.4", "NIST SP 800-53 AC-7"),
    bears_on=bears_on,
    soak_s=find_soak_s,
    spoils=find_spoils,
)

_PLAN = build_plan(administration=Administration("operator", ("hq",), ("key", "password"), Lockout(5, 60.0, 1800.0)))
_OPEN = build_plan(administration=Administration("operator", ("hq",)))
_SOAK = replace(_PLAN, soak=True)
_SOURCE = "10.200.0.10"


def _trial(at_s: float = 6.0, **changes: Any) -> tuple[Observation, ...]:
    seen = {
        "blocked_source": _SOURCE,
        "other_source": "10.200.0.254",
        "prepared": {"ok": True, "released": []},
        "below": ["auth_failed"] * 4,
        "still": "connected",
        "at": ["auth_failed"],
        "blocked": {"password": "silent", "key": "silent"},
        "other": "connected",
        "shown": {"ok": True, "blocked": [{"source": _SOURCE, "seconds_left": 1797}]},
        "shown_after_s": 2.4,
        "released": {"ok": True, "released": [_SOURCE]},
        "after_release": "connected",
    }
    return (answered(HQ, LABEL, at_s, {**seen, **changes}),)


def _left(seconds: float, source: str = _SOURCE) -> dict[str, Any]:
    return {"ok": True, "blocked": [{"source": source, "seconds_left": seconds}]}


EXAMPLES = (
    Example("blocked at the fifth, for half an hour, and nobody else", "PASS", _trial(), _PLAN),
    Example(
        "one more is allowed",
        "FAIL",
        _trial(blocked={"password": "connected", "key": "connected"}, shown={"ok": True, "blocked": []}),
        _PLAN,
    ),
    Example("the right key still opens", "FAIL", _trial(blocked={"password": "silent", "key": "connected"}), _PLAN),
    Example("blocked one too early", "FAIL", _trial(still="silent", at=["silent"]), _PLAN),
    Example("the fourth failure was let in", "FAIL", _trial(below=["auth_failed"] * 3 + ["connected"]), _PLAN),
    Example("nobody gets in: the device fell silent", "FAIL", _trial(other="silent", shown={"ok": None}), _PLAN),
    Example("the block is a minute short", "FAIL", _trial(shown=_left(1737)), _PLAN),
    Example("the block is longer than stated", "FAIL", _trial(shown=_left(3597)), _PLAN),
    Example("the device names another source", "FAIL", _trial(shown=_left(1797, "10.200.0.254")), _PLAN),
    Example("released, yet kept out", "FAIL", _trial(after_release="silent"), _PLAN),
    Example("nothing was tried", "FAIL", _trial(blocked={}), _PLAN),
    Example("waited out, and in again", "PASS", _trial(1865.0, waited_out="connected"), _SOAK),
    Example("waited out, and still kept out", "FAIL", _trial(1865.0, waited_out="silent"), _SOAK),
    Example("no answer, and nobody asked to wait", "INCONCLUSIVE", _trial(1865.0, waited_out="connected"), _PLAN),
    Example("the operator does not get in at all", "INCONCLUSIVE", _trial(prepared={"ok": None}), _PLAN),
    Example("the probe breaks", "INCONCLUSIVE", (answered(HQ, LABEL, 6.0, None, "ProbeError: one address"),), _PLAN),
    Example("the profile sets no lock-out", "NOT_APPLICABLE", (), _OPEN),
)
