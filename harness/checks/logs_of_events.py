"""logs_of_events: what an auditor looks for is told to HQ's log server in time, and an outage of the tunnel loses none.

The gateway goes out of service for a while: what the device writes then must wait and arrive afterwards, once and in
order. With TLS the log server meanwhile shows a certificate for another name, and must get nothing.
"""

from __future__ import annotations

from dataclasses import replace

from emulators.common import log_events
from harness.checks import lockout
from harness.checks._disturb import GATEWAY, ask_away, find_away
from harness.checks._log_judge import (
    CALLER,
    CALLERS_AWAY,
    KNOCK,
    KNOCK_AWAY,
    NAME,
    POSE,
    POSE_S,
    judge_blocks,
    judge_config,
    judge_login,
    judge_order,
    judge_pose,
    judge_tunnel,
    leave_order,
    list_pose_end,
)
from harness.checks._logs import is_told, list_messages, message
from harness.checks._shared import (
    HQ,
    ask_after_lease,
    find_address_for_hq,
    find_router_address,
    is_awaited,
    list_clients,
)
from harness.core.entries import Check, Evidence, Example, Seen, Spoil
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.sections import Logging
from harness.core.timing import to_ns
from harness.stages.tunnel_up import CHILD

TRY_S = 5.0
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
    if is_awaited(evidence, due):
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
    open_ns = max(s.at_ns for s in (away.up, *list_pose_end(evidence)))
    limit_ns = open_ns + to_ns(plan.branch.logging.within_s + 1.0)
    return next((s for s in evidence if s.at_ns > limit_ns), None)


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    logging, messages = plan.branch.logging, list_messages(plan, evidence)
    assert logging is not None
    findings = [
        judge_login(evidence, logging, messages, has_door=_find_door(plan) is not None),
        judge_config(evidence, logging, messages),
        *judge_blocks(evidence, logging, messages),
        *judge_tunnel(evidence, logging, messages),
        judge_order(evidence, messages) if is_told(logging, log_events.TUNNEL_DOWN) else leave_order(logging),
    ]
    if logging.transport == "tls":
        findings.append(judge_pose(evidence))
    return tuple(findings)


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


_ERRORS = build_plan(logging=Logging("10.200.0.10", 514, "udp", "err"))
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
        _outage(
            _APPLIED, _FAILED, message(6.4, 15, "warning", "x", log_events.TUNNEL_DOWN), message(6.5, 16, "notice")
        ),
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
    Example(
        "the gateway says late that the tunnel is back",
        "PASS",
        _outage(_APPLIED, _FAILED, replace(_DOWN, at_ns=to_ns(5.98)), _UP),
    ),
    Example(
        "a message comes while there is no tunnel",
        "FAIL",
        _outage(_APPLIED, _FAILED, replace(_DOWN, at_ns=to_ns(5.0)), _UP),
    ),
    Example("errors alone are told, and there are none", "NOT_APPLICABLE", _outage(), _ERRORS),
    Example("the log-in did not fail", "INCONCLUSIVE", _outage(_APPLIED, _FAILED, _DOWN, _UP, knocked="connected")),
    Example("the gateway did not go away", "INCONCLUSIVE", (*_outage(_APPLIED, _FAILED, _UP)[:2], _APPLIED, _FAILED)),
    Example("the profile sets no log server", "NOT_APPLICABLE", (), build_plan(logging=None)),
)
