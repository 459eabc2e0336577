"""logs_of_events: what an auditor looks for is told to HQ's log server in time, and an outage of the tunnel loses none.

The gateway goes out of service for a while: what the device writes then must wait and arrive afterwards, once and in
order. With TLS the log server meanwhile shows a certificate for another name, and must get nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from emulators.common import log_events
from emulators.common.log_events import EVENT_SEVERITIES
from harness.checks import lockout
from harness.checks._disturb import GATEWAY, ROUTER, ask_away, find_away
from harness.checks._logs import find_breach, find_event, is_told, list_messages, message
from harness.checks._shared import HQ, ask_after_lease, find_address_for_hq, find_router_address, list_clients
from harness.core.entries import (
    Check,
    Evidence,
    Example,
    Seen,
    Spoil,
    as_list,
    find_broken,
    hold,
    leave_open,
    set_aside,
)
from harness.core.model import Ask, Finding, Logging, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.timing import to_ns, to_s
from harness.stages.tunnel_up import CHILD

NAME = "logs_of_events"
KNOCK, KNOCK_AWAY, POSE = f"{NAME}.knock", f"{NAME}.knock_away", f"{NAME}.pose"
CALLER, CALLERS_AWAY = "nobody-0", ("nobody-1", "nobody-2")
POSE_S = 4.5
"""Over the gateway's absence, and then long enough for a device to try its log server (it does each 0.5 s)."""
TRY_S = 5.0
IN_FLIGHT_NS = to_ns(0.5)
"""A message may still be on the headquarters side of a tunnel that ends."""
WAIT_S = 30.0


def why_not(plan: Plan) -> str | None:
    return None if plan.branch.logging else "the profile sets no log server"


def _find_door(plan: Plan) -> tuple[str, str] | None:
    """Return a node that may open SSH on the router, and the router's address there. HQ first."""
    administration, address = plan.branch.administration, find_address_for_hq(plan)
    if administration is not None and "hq" in administration.reach_from and address is not None:
        return HQ, address
    return _find_lan_door(plan)


def _find_lan_door(plan: Plan) -> tuple[str, str] | None:
    administration = plan.branch.administration
    allowed = administration.reach_from if administration else ()
    for client, segment in list_clients(plan):
        if segment.name in allowed:
            return client, find_router_address(segment)
    return None


def _may_knock_away(plan: Plan) -> bool:
    """Say whether a client of the LAN may fail as often as is asked of it, and not be blocked."""
    lockout = plan.branch.administration.lockout if plan.branch.administration else None
    return lockout is None or lockout.failures > len(CALLERS_AWAY) + 1


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    logging = plan.branch.logging
    assert logging is not None
    due = lockout.act(plan, evidence) if lockout.why_not(plan) is None else ()
    if any(evidence.find_answer(ask.label) is None for ask in due):
        return due
    door = _find_door(plan)
    if door is not None:
        knock = Ask(door[0], "knock", {"target": door[1], "users": [CALLER], "timeout_s": TRY_S}, KNOCK)
        due += (knock,) if door[0] == HQ else ask_after_lease(evidence, door[0], [knock])
        if evidence.find_answer(KNOCK) is None:
            return due
    due += (ask_away(),)
    away = find_away(evidence)
    if away is None or away.down is None:
        return due
    if logging.transport == "tls":
        due += (Ask(HQ, "pose", {"for_s": POSE_S}, POSE),)
    lan = _find_lan_door(plan)
    if lan is not None and _may_knock_away(plan):
        args = {"target": lan[1], "users": list(CALLERS_AWAY), "timeout_s": TRY_S}
        due += ask_after_lease(evidence, lan[0], [Ask(lan[0], "knock", args, KNOCK_AWAY)])
    return due


def find_end(plan: Plan, evidence: Evidence) -> Seen | None:
    """Return the last message once all that is awaited is there, or what showed that it will not come in time."""
    away, messages = find_away(evidence), list_messages(plan, evidence)
    if away is None or away.up is None:
        return None
    if messages and all(f.outcome in ("PASS", "NOT_APPLICABLE") for f in judge(plan, evidence)):
        return messages[-1]
    assert plan.branch.logging is not None
    open_ns = max(s.at_ns for s in (away.up, *_list_pose_end(evidence)))
    limit_ns = open_ns + to_ns(plan.branch.logging.within_s + 1.0)
    return next((s for s in evidence if s.at_ns > limit_ns), None)


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    logging, messages = plan.branch.logging, list_messages(plan, evidence)
    assert logging is not None
    findings = [
        _judge_login(plan, evidence, logging, messages),
        _judge_config(evidence, logging, messages),
        *_judge_blocks(evidence, logging, messages),
        *_judge_tunnel(evidence, logging, messages),
        _judge_order(evidence, messages),
    ]
    if logging.transport == "tls":
        findings.append(_judge_pose(evidence))
    return tuple(findings)


def _too_faint(logging: Logging, claim: str, msgid: str) -> Finding:
    severity = EVENT_SEVERITIES[msgid]
    return set_aside(NAME, claim, f"the device tells it with severity {severity}, below {logging.least}")


def _judge_login(plan: Plan, evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> Finding:
    claim = "a failed log-in is told, with who and from where"
    expected = f"{log_events.LOGIN_FAILED} that names {CALLER} and a source, within {logging.within_s:g} s"
    if not is_told(logging, log_events.LOGIN_FAILED):
        return _too_faint(logging, claim, log_events.LOGIN_FAILED)
    if _find_door(plan) is None:
        return set_aside(NAME, claim, "nobody may reach the router's administration")
    broken = find_broken(evidence, NAME, claim, expected, KNOCK)
    answer = evidence.find_answer(KNOCK)
    if broken is not None or answer is None:
        return broken or leave_open(NAME, claim, expected, "nothing")
    outcomes = as_list(answer.get("outcomes"))
    if outcomes != ["refused"]:
        return leave_open(
            NAME, claim, expected, f"nothing to tell: the log-in ended {outcomes or answer.error}", [answer]
        )
    told = find_event(messages, log_events.LOGIN_FAILED, 0, f" {CALLER} from ")
    return _judge_told(claim, expected, logging, told, answer.seen)


def _judge_told(claim: str, expected: str, logging: Logging, told: Seen | None, cause: Seen) -> Finding:
    """Judge a message by its delay from its cause."""
    if told is None:
        return hold(NAME, False, claim, expected, "nothing of it", [cause])
    late_s = to_s(told.at_ns - cause.at_ns)
    seen = f"{told.data.get('text')} ({max(0.0, late_s):.1f} s)"
    return hold(NAME, late_s <= logging.within_s, claim, expected, seen, [cause, told])


def _judge_config(evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> Finding:
    claim, msgid = "a change of the configuration is told, with its digest", log_events.CONFIG_APPLIED
    served = [s for kind in ("config.served",) for s in evidence.find_all("management", kind)]
    served += evidence.find_all(ROUTER, "config.applied")
    digests = {str(s.data.get("digest"))[:16] for s in served} - {"None"}
    expected = f"{msgid} with one of {', '.join(sorted(digests)) or 'the digests served'}"
    if not is_told(logging, msgid):
        return _too_faint(logging, claim, msgid)
    if not digests:
        return set_aside(NAME, claim, "the configuration did not change while we looked")
    told = [s for s in messages if s.data.get("msgid") == msgid]
    right = [s for s in told if any(d in str(s.data.get("text")) for d in digests)]
    if right:
        return hold(NAME, True, claim, expected, str(right[0].data.get("text")), [*served[:1], right[0]])
    seen = f"only {told[0].data.get('text')}" if told else "nothing of it"
    return hold(NAME, False, claim, expected, seen, [*told, *served, *messages[:1]])


def _judge_blocks(evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> list[Finding]:
    """Sources that were blocked in this run (the lock-out's own check sees to that) were told."""
    findings = []
    for block in evidence.find_all(ROUTER, "source.blocked")[:3]:
        source = block.data.get("source")
        claim = f"the block of {source} is told"
        expected = f"{log_events.SOURCE_BLOCKED} with {source} within {logging.within_s:g} s"
        if not is_told(logging, log_events.SOURCE_BLOCKED):
            findings.append(_too_faint(logging, claim, log_events.SOURCE_BLOCKED))
            continue
        told = find_event(messages, log_events.SOURCE_BLOCKED, block.at_ns, f"{source}")
        findings.append(_judge_told(claim, expected, logging, told, block))
    return findings


def _judge_tunnel(evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> list[Finding]:
    away = find_away(evidence)
    claims = (
        ("the tunnel's end is told once it is back: what the device could not send it kept", log_events.TUNNEL_DOWN),
        ("the tunnel's return is told", log_events.TUNNEL_UP),
    )
    findings = []
    for claim, msgid in claims:
        expected = f"{msgid} within {logging.within_s:g} s of the tunnel's return"
        if not is_told(logging, msgid):
            findings.append(_too_faint(logging, claim, msgid))
        elif away is None or away.down is None or away.up is None:
            findings.append(leave_open(NAME, claim, expected, _tell_away(evidence)))
        else:
            told = find_event(messages, msgid, away.down.at_ns)
            open_since = max((away.up, *_list_pose_end(evidence)), key=lambda s: s.at_ns)
            findings.append(_judge_told(claim, expected, logging, told, open_since))
    return findings


def _list_pose_end(evidence: Evidence) -> tuple[Seen, ...]:
    answer = evidence.find_answer(POSE)
    return (answer.seen,) if answer is not None else ()


def _tell_away(evidence: Evidence) -> str:
    away = find_away(evidence)
    if away is None:
        return "nothing: the gateway did not go out of service"
    return "nothing: the tunnel did not end" if away.down is None else "nothing: the tunnel did not come back"


def _judge_order(evidence: Evidence, messages: Sequence[Seen]) -> Finding:
    claim = "the outage lost no message, brought none twice, and changed no order"
    expected = "sequence numbers without a gap, time stamps in order"
    away = find_away(evidence)
    if away is None or away.down is None or away.up is None:
        return leave_open(NAME, claim, expected, _tell_away(evidence))
    down_ns, up_ns = away.down.at_ns, away.up.at_ns
    before = [s for s in messages if s.at_ns < down_ns][-1:]
    after = [s for s in messages if s.at_ns >= down_ns]
    callers = [c for c in CALLERS_AWAY if find_event(after, log_events.LOGIN_FAILED, down_ns, f" {c} from ")]
    if not before or not after:
        seen = f"nothing to compare: {len(before)} messages before the outage, {len(after)} after it"
        return hold(NAME, False, claim, expected, seen, [away.down, away.up])
    breach = find_breach([*before, *after])
    if breach is not None:
        return hold(NAME, False, claim, expected, breach[0], [away.down, breach[1]])
    missed = _find_missed(evidence, callers)
    if missed:
        return hold(
            NAME, False, claim, expected, f"nothing of the log-in of {', '.join(missed)}", [away.down, *after[:5]]
        )
    early = [s for s in after if down_ns + IN_FLIGHT_NS < s.at_ns < up_ns]
    if early:
        return hold(NAME, False, claim, expected, "messages that came while there was no tunnel", early[:5])
    first, last = before[0].data.get("sequence"), after[-1].data.get("sequence")
    return hold(NAME, True, claim, expected, f"numbers {first} to {last}, each once", [*before, after[0], after[-1]])


def _find_missed(evidence: Evidence, callers: Sequence[str]) -> list[str]:
    """Return who failed to log in during the outage, as the client saw, and is not in the log."""
    answer = evidence.find_answer(KNOCK_AWAY)
    outcomes = as_list(answer.get("outcomes")) if answer is not None and answer.ok else []
    failed = [caller for caller, outcome in zip(CALLERS_AWAY, outcomes, strict=False) if outcome == "refused"]
    return [caller for caller in failed if caller not in callers]


def _judge_pose(evidence: Evidence) -> Finding:
    claim = "a log server with a certificate for another name gets nothing (RFC 5425 section 5.2)"
    expected = "the device refuses it, and sends nothing"
    broken = find_broken(evidence, NAME, claim, expected, POSE)
    answer = evidence.find_answer(POSE)
    if broken is not None or answer is None:
        return broken or leave_open(NAME, claim, expected, "nothing")
    begin_ns = answer.seen.at_ns - to_ns(POSE_S) - to_ns(1.0)
    got = evidence.find_all(HQ, "log.received", posing=True)
    if got:
        return hold(NAME, False, claim, expected, f"{len(got)} messages, such as {got[0].data.get('text')}", got[:3])
    refused = [s for s in evidence.find_all(HQ, "log.refused") if begin_ns <= s.at_ns <= answer.seen.at_ns]
    if not refused:
        return leave_open(NAME, claim, expected, "nothing: the device did not try while it stood there", [answer])
    return hold(NAME, True, claim, expected, f"{refused[0].data.get('reason')}", [answer, *refused[:1]])


# ---------------------------------------------------------------- weakenings


def list_spoils(plan: Plan) -> tuple[Spoil, ...]:
    if plan.branch.logging is None:
        return ()
    return (
        Spoil(
            "nothing is kept while the log server cannot be reached",
            "logging.buffer_messages",
            lambda config: config["logging"].update(buffer_messages=0),
        ),
    )


# Contents from memory for NIST SP 800-53.
CHECK = Check(
    name=NAME,
    order=160,
    title="What matters is in HQ's log, outages or not",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=WAIT_S,
    awaits=find_end,
    disturbs=True,
    clauses=(
        "PCI DSS 4.0.1 10.2.1.4",
        "PCI DSS 4.0.1 10.2.2",
        "PCI DSS 4.0.1 10.3.3",
        "45 CFR 164.312(b)",
        "NIST SP 800-53 AU-2",
        "NIST SP 800-53 AU-3",
        "NIST SP 800-53 AU-9",
    ),
    spoils=list_spoils,
)


# ---------------------------------------------------------------- examples


def _outage(*heard: Observation, knocked: str = "refused") -> tuple[Observation, ...]:
    """The failed log-in at 1 s, the gateway away from 3 to 5.5 s, the tunnel back at 6 s."""
    return (
        answered(HQ, lockout.LABEL, 0.9, {}),
        answered(HQ, KNOCK, 1.0, {"outcomes": [knocked]}),
        saw("management", "config.served", 0.1, serial="SK-000017", digest="ab" * 32),
        saw(GATEWAY, "gateway.closed", 3.0),
        saw(GATEWAY, "child.removed", 3.05),
        saw(GATEWAY, "gateway.opened", 5.5),
        answered(GATEWAY, "disturbance.gateway", 5.5, {"for_s": 2.5}),
        replace(CHILD, at_ns=to_ns(6.0)),
        *heard,
    )


_APPLIED = message(0.5, 12, "notice", f"configuration {'ab' * 8} applied in 1.0 s", log_events.CONFIG_APPLIED)
_FAILED = message(1.3, 13, "warning", f"Failed password for {CALLER} from 10.200.0.10", log_events.LOGIN_FAILED)
_DOWN = message(6.4, 14, "warning", "tunnel to hq is down", log_events.TUNNEL_DOWN)
_UP = message(6.5, 15, "notice", "tunnel to hq is up", log_events.TUNNEL_UP)
EXAMPLES = (
    Example("all is told, the outage loses none", "PASS", _outage(_APPLIED, _FAILED, _DOWN, _UP)),
    Example("what was written in the outage is lost", "FAIL", _outage(_APPLIED, _FAILED, _UP)),
    Example(
        "a number is missing",
        "FAIL",
        _outage(_APPLIED, _FAILED, message(6.4, 15, "warning", "x", log_events.TUNNEL_DOWN), message(6.5, 16, "notice")),
    ),
    Example("one comes twice", "FAIL", _outage(_APPLIED, _FAILED, _DOWN, _DOWN, _UP)),
    Example(
        "they come in another order",
        "FAIL",
        _outage(
            _APPLIED,
            _FAILED,
            message(6.4, 15, "notice", "up", log_events.TUNNEL_UP),
            message(6.5, 14, "warning", "down", log_events.TUNNEL_DOWN),
        ),
    ),
    Example("the failed log-in is not told", "FAIL", _outage(_APPLIED, message(1.3, 13, "info"), _DOWN, _UP)),
    Example(
        "it is told too late",
        "FAIL",
        _outage(_APPLIED, _DOWN, message(6.45, 15, "warning", f"x {CALLER} from 1", log_events.LOGIN_FAILED), _UP),
    ),
    Example("the log-in did not fail", "INCONCLUSIVE", _outage(_APPLIED, _FAILED, _DOWN, _UP, knocked="connected")),
    Example("the gateway did not go away", "INCONCLUSIVE", (*_outage(_APPLIED, _FAILED, _UP)[:2], _APPLIED, _FAILED)),
    Example("the profile sets no log server", "NOT_APPLICABLE", (), build_plan(logging=None)),
)
