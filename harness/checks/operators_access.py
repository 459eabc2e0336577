"""operators_access: who gets into the management server as an operator, and that the audit log tells of each try.

An operator signs in at the issuer for real, with both factors and with the password alone; the other tokens are right
in all but one thing. Each request that must be refused asks for a change, so that a door left open shows in the
device's state, too. The right token in the same round proves that the server is there and knows the issuer's keys:
without it, a refusal would prove nothing. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from emulators.common.controls import OPERATORS_PORT
from harness.checks._audit_log import Told, decode, find_break, find_fault, parse, span, write
from harness.checks._operators_tries import (
    ALONE,
    DEVICES,
    MODULE,
    NONE,
    RIGHT,
    WRONG,
    get_wrong,
    list_spoils,
    list_tries,
    wants_both,
)
from harness.core.entries import (
    Answer,
    Check,
    Evidence,
    Example,
    as_list,
    find_broken,
    hold,
    leave_open,
)
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan

NAME = "operators_access"
DESK, SERVER = "internet", "management"
AUDIT_FILE = "/run/audit/operators.jsonl"
TRY_S = 4.0

_OPERATE, _FETCH = f"{NAME}.operate", f"{NAME}.audit"


def why_not(plan: Plan) -> str | None:
    return None if plan.branch.operators is not None else "the profile opens the management server to no operator"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    body = {f"{MODULE}:input": {"serial": plan.branch.serial}}
    tries = [
        {"bearer": bearer, "method": method, "path": path, "body": body if method == "POST" else None}
        for bearer, method, path in list_tries(plan)
    ]
    url = f"https://{plan.branch.bootstrap[0].address}:{OPERATORS_PORT}"
    asked = Ask(DESK, "operate", {"base_url": url, "tries": tries, "timeout_s": TRY_S}, _OPERATE)
    if evidence.find_answer(_OPERATE) is None:
        return (asked,)
    return (asked, Ask(SERVER, "fetch", {"path": AUDIT_FILE}, _FETCH))


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    claim, expected = "an operator with a right token is let in", "an answer to each try"
    broken = find_broken(evidence, NAME, claim, expected, _OPERATE)
    answer = evidence.find_answer(_OPERATE)
    if broken is not None or answer is None:
        return (broken or leave_open(NAME, claim, expected, "nothing"),)
    tries = list_tries(plan)
    said = [one for one in as_list(answer.get("answers")) if isinstance(one, dict)]
    if [(one.get("bearer"), one.get("method"), one.get("path")) for one in said] != list(tries):
        return (leave_open(NAME, claim, expected, f"{len(said)} answers to {len(tries)} tries", [answer]),)
    return (
        *_judge_right(plan, said, answer),
        *(_judge_wrong(plan, one, answer) for one in said if one["bearer"] != RIGHT),
        _judge_state(plan, said[-2], answer),
        *_judge_audit(plan, said, answer, evidence),
    )


# ---------------------------------------------------------------- who is let in


def _judge_right(plan: Plan, said: list[dict[str, Any]], answer: Answer) -> tuple[Finding, ...]:
    """The tries with the right token: read all devices, read one, act on it."""
    serial = plan.branch.serial
    listed = _find_devices(said[0])
    reads = said[0].get("status") == 200 and serial in listed
    seen = f"{said[0].get('status')}, devices {', '.join(listed) or 'none'}"
    acts = said[-1]
    return (
        hold(NAME, reads, "a right token lists the devices", f"200 with {serial}", _tell(said[0], seen), [answer]),
        hold(NAME, acts.get("status") == 204, f"a right token releases {serial}", "204", _tell(acts), [answer]),
    )


def _find_devices(one: Mapping[str, Any]) -> list[str]:
    body = one.get("body")
    whole = body.get(f"{MODULE}:devices", body) if isinstance(body, dict) else {}
    listed = whole.get("device", whole.get(f"{MODULE}:device")) if isinstance(whole, dict) else []
    return [str(device.get("serial")) for device in as_list(listed) if isinstance(device, dict)]


def _judge_wrong(plan: Plan, one: Mapping[str, Any], answer: Answer) -> Finding:
    bearer, status, challenge = str(one["bearer"]), one.get("status"), str(one.get("challenge") or "")
    refused = status in (401, 403) and challenge.startswith("Bearer")
    if bearer == NONE:  # RFC 6750 section 3.1: a request without a token is told no error code
        holds = refused and "error=" not in challenge
        return hold(NAME, holds, "a request without a token is refused", "401, no code", _tell(one), [answer])
    if bearer == ALONE and not wants_both(plan):
        text = "a token without a second factor is let in, as the profile says"
        return hold(NAME, status == 204, text, "204", _tell(one), [answer])
    wrong = get_wrong(bearer)
    holds = refused and f'error_description="{wrong.reason}"' in challenge
    expected = f"401 or 403, for the reason {wrong.reason}"
    return hold(NAME, holds, f"a token {wrong.text} is refused", expected, _tell(one), [answer])


def _judge_state(plan: Plan, one: Mapping[str, Any], answer: Answer) -> Finding:
    """What the refused tries asked for has not happened. With no second factor asked for, one try is a right one."""
    serial, body = plan.branch.serial, one.get("body")
    listed = as_list(body.get(f"{MODULE}:device")) if isinstance(body, dict) else []
    device = listed[0] if len(listed) == 1 and isinstance(listed[0], dict) else {}
    wanted = not wants_both(plan)
    claim = f"no refused request did anything to {serial}"
    holds = one.get("status") == 200 and device.get("serial") == serial and device.get("held") is wanted
    seen = _tell(one, f"{one.get('status')}, held {device.get('held')}")
    return hold(NAME, holds, claim, f"200, held {wanted}", seen, [answer])


def _tell(one: Mapping[str, Any], text: str | None = None) -> str:
    status = one.get("status")
    if not status:
        return f"no answer: {one.get('error') or 'no reason given'}"
    challenge = one.get("challenge")
    return text or (f"{status}, {challenge}" if challenge else f"{status}")


# ---------------------------------------------------------------- the audit log


def _judge_audit(plan: Plan, said: list[dict[str, Any]], answer: Answer, evidence: Evidence) -> tuple[Finding, ...]:
    claim = "the audit log holds each try: who, what, when, from where, with what outcome"
    expected = f"{len(said)} entries that agree with the tries"
    broken = find_broken(evidence, NAME, claim, expected, _FETCH)
    fetched = evidence.find_answer(_FETCH)
    if broken is not None or fetched is None:
        return (broken or leave_open(NAME, claim, expected, "nothing"),)
    lines = decode(fetched)
    entries = {entry.get("number"): entry for entry in map(parse, lines) if entry is not None}
    faults = ((one["bearer"], find_fault(_expect(plan, one), entries.get(one.get("audit")))) for one in said)
    wrong = [f"{bearer}: {fault}" for bearer, fault in faults if fault is not None]
    seen = f"{len(said) - len(wrong)} that agree" + (f"; {wrong[0]}" if wrong else "")
    chain, leaks = find_break(lines), sum("eyJ" in line for line in lines)
    return (
        hold(NAME, not wrong, claim, expected, seen, [answer, fetched]),
        hold(NAME, chain is None, "each entry of the audit log seals the one before", "an unbroken chain",
             chain or f"{len(lines)} entries, unbroken", [fetched]),
        # RFC 7515 section 3.1: a token begins with the base64url of {" and that is eyJ
        hold(NAME, leaks == 0, "no token is in the audit log", "0 entries with one", f"{leaks} entries", [fetched]),
    )  # fmt: skip


def _expect(plan: Plan, one: Mapping[str, Any]) -> Told:
    """Return what the entry of a try must say."""
    bearer = str(one["bearer"])
    lets_in = bearer == RIGHT or (bearer == ALONE and not wants_both(plan))
    user = plan.branch.administration.user if plan.branch.administration else "operator"
    return Told(
        who=user if bearer != NONE and (lets_in or get_wrong(bearer).signed) else None,
        action=f"{one['method']} {one['path']}",
        outcome="success" if lets_in else "failure",
        status=one.get("status"),
        between_s=span(one.get("at_s"), TRY_S),
    )


CHECK = Check(
    name=NAME,
    order=80,
    title="Operators get into the management server by two factors, and leave a trace",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=40.0,
    # NIST's ids, and PCI DSS 8.4.1, from memory.
    clauses=(
        "PCI DSS 4.0.1 8.4.1",
        "PCI DSS 4.0.1 10.2.1.2",
        "PCI DSS 4.0.1 10.2.1.4",
        "PCI DSS 4.0.1 10.2.2",
        "45 CFR 164.312(a)(1)",
        "45 CFR 164.312(b)",
        "45 CFR 164.312(d)",
        "NIST SP 800-53 AC-3",
        "NIST SP 800-53 AU-3",
        "NIST SP 800-53 AU-9",
        "NIST SP 800-53 IA-2",
        "NIST SP 800-53 IA-2(1)",
    ),
    spoils=list_spoils,
)

_PLAN = build_plan()
_AT_S = 1_800_000_000.0


def _answer_tries(changes: Mapping[str, Mapping[str, Any]], plan: Plan) -> list[dict[str, Any]]:
    """Return what the desk got at a server that does as it should, but for `changes` (by bearer)."""
    serial, told = plan.branch.serial, []
    for number, (bearer, method, path) in enumerate(list_tries(plan)):
        one: dict[str, Any] = {"bearer": bearer, "method": method, "path": path, "at_s": _AT_S, "audit": number}
        device = {"serial": serial, "held": False}
        if bearer == RIGHT:
            one |= {"status": 200 if method == "GET" else 204, "challenge": None}
            one["body"] = {f"{MODULE}:devices": {"device": [device]}} if path == DEVICES else {
                f"{MODULE}:device": [device]
            }  # fmt: skip
        else:
            code = "" if bearer == NONE else f', error="x", error_description="{get_wrong(bearer).reason}"'
            one |= {"status": 401, "challenge": f'Bearer realm="r"{code}', "body": None}
        told.append(one | dict(changes.get(bearer, {})))
    return told


def _note(one: Mapping[str, Any]) -> dict[str, Any]:
    told = _expect(_PLAN, one)
    outcome = "success" if one["status"] in (200, 204) else "failure"
    known = {"who": told.who, "action": told.action, "outcome": outcome, "status": one["status"]}
    return {**known, "at": "2027-01-15T08:00:00.100Z", "from": "198.18.0.1", "object": one["path"]}


def _play(
    changes: Mapping[str, Mapping[str, Any]] | None = None,
    audit: Mapping[str, Any] | None = None,
    *,
    broken: bool = False,
    short: int = 0,
) -> tuple[Observation, ...]:
    tries = _answer_tries(changes or {}, _PLAN)
    entries = [_note(one) | dict(audit or {}) for one in tries]
    log = write(entries[: len(entries) - short], broken=broken)
    return answered(DESK, _OPERATE, 1.0, {"answers": tries}), answered(SERVER, _FETCH, 1.2, log)


_OPEN = {"status": 204, "challenge": None}
_SHUT = {"status": 401, "challenge": 'Bearer realm="r", error="invalid_token", error_description="audience"'}
_GONE = {"status": 0, "challenge": None, "error": "ConnectionRefusedError"}

EXAMPLES = (
    Example("all as it should be", "PASS", _play(), _PLAN),
    Example("the password alone is enough", "FAIL", _play({ALONE: _OPEN}), _PLAN),
    Example("an expired token is taken", "FAIL", _play({"expired": _OPEN}), _PLAN),
    Example("a token without a signature is taken", "FAIL", _play({"no_algorithm": _OPEN}), _PLAN),
    Example("a request without a token is taken", "FAIL", _play({NONE: _OPEN}), _PLAN),
    Example("refused, but for another reason", "FAIL", _play({"expired": _SHUT}), _PLAN),
    Example("nobody is let in: refusals prove nothing", "FAIL", _play({RIGHT: _SHUT}), _PLAN),
    Example("nothing listens", "FAIL", _play(dict.fromkeys((RIGHT, ALONE, *WRONG, NONE), _GONE)), _PLAN),
    Example("the log lacks the last entry", "FAIL", _play(short=1), _PLAN),
    Example("the log says success throughout", "FAIL", _play(audit={"outcome": "success"}), _PLAN),
    Example("the log does not say to what", "FAIL", _play(audit={"object": None}), _PLAN),
    Example("the log does not say from where", "FAIL", _play(audit={"from": None}), _PLAN),
    Example("the log's times are wrong", "FAIL", _play(audit={"at": "2027-01-15T09:00:00Z"}), _PLAN),
    Example("the log names another user", "FAIL", _play(audit={"who": "somebody"}), _PLAN),
    Example("the log's chain is broken", "FAIL", _play(broken=True), _PLAN),
    Example("the log holds a token", "FAIL", _play(audit={"detail": "eyJhbGciOi"}), _PLAN),
    Example("the desk breaks", "INCONCLUSIVE", (answered(DESK, _OPERATE, 1.0, None, "DeskError: sign-in"),), _PLAN),
    Example(
        "the log cannot be fetched",
        "INCONCLUSIVE",
        (_play()[0], answered(SERVER, _FETCH, 1.2, None, "FileNotFoundError: no such file")),
        _PLAN,
    ),
    Example("the profile knows no operators", "NOT_APPLICABLE", (), build_plan(operators=None)),
)
