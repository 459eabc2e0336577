"""What the log must hold of a run's events, and what an outage may not do to it (logs_of_events). Layer: checks, pure.

Judging alone. Not here: causing the events (logs_of_events.py), reading messages (_logs.py).
"""

from __future__ import annotations

from collections.abc import Sequence

from emulators.common import log_events
from emulators.common.log_events import EVENT_SEVERITIES
from harness.checks._disturb import ROUTER, find_away
from harness.checks._logs import find_breach, find_event, is_told
from harness.checks._shared import HQ
from harness.core.entries import Evidence, Seen, as_list, find_broken, hold, leave_open, set_aside
from harness.core.model import Finding
from harness.core.sections import Logging
from harness.core.timing import to_ns, to_s

NAME = "logs_of_events"
KNOCK, KNOCK_AWAY, POSE = f"{NAME}.knock", f"{NAME}.knock_away", f"{NAME}.pose"
CALLER, CALLERS_AWAY = "nobody-0", ("nobody-1", "nobody-2")
POSE_S = 4.5
"""Over the gateway's absence, and then long enough for a device to try its log server (it does each 0.5 s)."""
IN_FLIGHT_NS = to_ns(0.5)
"""A message may still be on the headquarters side of a tunnel that ends; and the gateway may be late to say that the
tunnel is back (the first message came 70 ms after its word: measured)."""
ORDER = "the outage lost no message, brought none twice, and changed no order"


def _leave_faint(logging: Logging, claim: str, msgid: str) -> Finding:
    severity = EVENT_SEVERITIES[msgid]
    return set_aside(NAME, claim, f"the device tells it with severity {severity}, below {logging.least}")


def judge_login(evidence: Evidence, logging: Logging, messages: Sequence[Seen], *, has_door: bool) -> Finding:
    """Judge what is told of a failed log-in. `has_door`: somebody may reach the router's administration."""
    claim = "a failed log-in is told, with who and from where"
    expected = f"{log_events.LOGIN_FAILED} that names {CALLER} and a source, within {logging.within_s:g} s"
    if not is_told(logging, log_events.LOGIN_FAILED):
        return _leave_faint(logging, claim, log_events.LOGIN_FAILED)
    if not has_door:
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


def judge_config(evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> Finding:
    """Judge what is told of the configuration."""
    claim, msgid = "a change of the configuration is told, with its digest", log_events.CONFIG_APPLIED
    served = [*evidence.find_all("management", "config.served"), *evidence.find_all(ROUTER, "config.applied")]
    digests = {str(s.data.get("digest"))[:16] for s in served} - {"None"}
    expected = f"{msgid} with one of {', '.join(sorted(digests)) or 'the digests served'}"
    if not is_told(logging, msgid):
        return _leave_faint(logging, claim, msgid)
    if not digests:
        return set_aside(NAME, claim, "the configuration did not change while we looked")
    told = [s for s in messages if s.data.get("msgid") == msgid]
    right = [s for s in told if any(d in str(s.data.get("text")) for d in digests)]
    if right:
        return hold(NAME, True, claim, expected, str(right[0].data.get("text")), [*served[:1], right[0]])
    seen = f"only {told[0].data.get('text')}" if told else "nothing of it"
    return hold(NAME, False, claim, expected, seen, [*told, *served, *messages[:1]])


def judge_blocks(evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> list[Finding]:
    """Sources that were blocked in this run (the lock-out's own check sees to that) were told."""
    findings = []
    for block in evidence.find_all(ROUTER, "source.blocked")[:3]:
        source = block.data.get("source")
        claim = f"the block of {source} is told"
        expected = f"{log_events.SOURCE_BLOCKED} with {source} within {logging.within_s:g} s"
        if not is_told(logging, log_events.SOURCE_BLOCKED):
            findings.append(_leave_faint(logging, claim, log_events.SOURCE_BLOCKED))
            continue
        told = find_event(messages, log_events.SOURCE_BLOCKED, block.at_ns, f"{source}")
        findings.append(_judge_told(claim, expected, logging, told, block))
    return findings


def judge_tunnel(evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> list[Finding]:
    """Judge what is told of the tunnel's end and return."""
    away = find_away(evidence)
    claims = (
        ("the tunnel's end is told once it is back: what the device could not send it kept", log_events.TUNNEL_DOWN),
        ("the tunnel's return is told", log_events.TUNNEL_UP),
    )
    findings = []
    for claim, msgid in claims:
        expected = f"{msgid} within {logging.within_s:g} s of the tunnel's return"
        if not is_told(logging, msgid):
            findings.append(_leave_faint(logging, claim, msgid))
        elif away is None or away.down is None or away.up is None:
            findings.append(leave_open(NAME, claim, expected, _tell_away(evidence)))
        else:
            told = find_event(messages, msgid, away.down.at_ns)
            open_since = max((away.up, *list_pose_end(evidence)), key=lambda s: s.at_ns)
            findings.append(_judge_told(claim, expected, logging, told, open_since))
    return findings


def list_pose_end(evidence: Evidence) -> tuple[Seen, ...]:
    """Return what told that the log server bears its own name again; nothing where it did not yet."""
    answer = evidence.find_answer(POSE)
    return (answer.seen,) if answer is not None else ()


def _tell_away(evidence: Evidence) -> str:
    away = find_away(evidence)
    if away is None:
        return "nothing: the gateway did not go out of service"
    return "nothing: the tunnel did not end" if away.down is None else "nothing: the tunnel did not come back"


def leave_order(logging: Logging) -> Finding:
    """Nothing of an outage is told, so nothing can be lost."""
    return _leave_faint(logging, ORDER, log_events.TUNNEL_DOWN)


def judge_order(evidence: Evidence, messages: Sequence[Seen]) -> Finding:
    """Judge the order of the messages before, over and after the outage."""
    claim, expected = ORDER, "sequence numbers without a gap, time stamps in order"
    away = find_away(evidence)
    if away is None or away.down is None or away.up is None:
        return leave_open(NAME, claim, expected, _tell_away(evidence))
    down_ns, up_ns = away.down.at_ns, away.up.at_ns
    before = [s for s in messages if s.at_ns < down_ns][-1:]
    after = [s for s in messages if s.at_ns >= down_ns]
    callers = [c for c in CALLERS_AWAY if find_event(after, log_events.LOGIN_FAILED, down_ns, f" {c} from ")]
    is_first = bool(after) and after[0].data.get("sequence") == 1  # nothing was to be told before
    if not after or not (before or is_first):
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
    early = [s for s in after if down_ns + IN_FLIGHT_NS < s.at_ns < up_ns - IN_FLIGHT_NS]
    if early:
        return hold(NAME, False, claim, expected, "messages that came while there was no tunnel", early[:5])
    first, last = (before or after)[0].data.get("sequence"), after[-1].data.get("sequence")
    return hold(NAME, True, claim, expected, f"numbers {first} to {last}, each once", [*before, after[0], after[-1]])


def _find_missed(evidence: Evidence, callers: Sequence[str]) -> list[str]:
    """Return who failed to log in during the outage, as the client saw, and is not in the log."""
    answer = evidence.find_answer(KNOCK_AWAY)
    outcomes = as_list(answer.get("outcomes")) if answer is not None and answer.ok else []
    failed = [caller for caller, outcome in zip(CALLERS_AWAY, outcomes, strict=False) if outcome == "refused"]
    return [caller for caller in failed if caller not in callers]


def judge_pose(evidence: Evidence) -> Finding:
    """Judge what the log server got while it bore another name."""
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
