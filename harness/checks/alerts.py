"""alerts: each condition of the profile, caused for real, is raised at the webhook in time and once, and cleared after.

The webhook is a server of the operator's own on the internet: it takes only what CloudEvents 1.0 allows, and knows an
event that comes again. Causes: the gateway goes out of service (tunnel_down), the preferred uplink's link is cut
(uplink_failover), then every uplink's (device_silent); a source is blocked and a threat is met in the checks of those
controls. Not here: what the device writes meanwhile (logs_of_events.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from emulators.common.controls import AlertCondition, Alerts, Lockout
from harness.checks import lockout
from harness.checks._alert_causes import (
    BEATS,
    BOTH,
    CAUSES,
    CLEARED,
    FIRST,
    LINKS,
    MADE_ELSEWHERE,
    RAISED,
    SLACK_S,
    Cause,
    can_fail_over,
    find_detect_s,
    find_reason,
    find_silence_s,
    is_over,
    list_alerts,
    list_conditions,
)
from harness.checks._disturb import CARRIER, GATEWAY, INTERNET, ROUTER, ask_away
from harness.checks._shared import is_awaited
from harness.core.entries import Check, Evidence, Example, Seen, Spoil, hold, leave_open, set_aside
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.sections import Administration
from harness.core.timing import to_s

NAME = "alerts"
WAIT_S = 60.0


def why_not(plan: Plan) -> str | None:
    if plan.branch.alerts is None:
        return "the profile sets no alerts"
    reasons = [find_reason(plan, condition) for condition in list_conditions(plan)]
    return None if None in reasons else f"no condition can occur: {'; '.join(map(str, reasons)) or 'none is named'}"


# ---------------------------------------------------------------- causes


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    """One disturbance after the other, each once the one before is over and told."""
    due: list[Ask] = []
    conditions = list_conditions(plan)
    for condition, check in MADE_ELSEWHERE.items():
        if condition in conditions and check.why_not(plan) is None:
            due += check.actions(plan, evidence)  # asks that were answered before are not sent again
            if is_awaited(evidence, due):
                return tuple(due)
    if "tunnel_down" in conditions:
        due.append(ask_away())
        if not is_over(plan, evidence, "tunnel_down"):
            return tuple(due)
    if can_fail_over(plan):
        node, link = LINKS[plan.branch.uplinks[0]]
        due.append(Ask(node, "outage", {"name": link, "for_s": find_detect_s(plan) + SLACK_S}, FIRST))
        if not is_over(plan, evidence, "uplink_failover"):
            return tuple(due)
    if "device_silent" in conditions and find_reason(plan, "device_silent") is None:
        for kind in plan.branch.uplinks:
            node, link = LINKS[kind]
            due.append(Ask(node, "outage", {"name": link, "for_s": find_silence_s(plan)}, f"{BOTH}.{link}"))
    return tuple(due)


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    findings = [_judge_form(evidence)]
    for condition in list_conditions(plan).values():
        reason = find_reason(plan, condition.condition)
        if reason is not None:
            findings.append(set_aside(NAME, f"{condition.condition} is raised", reason))
            continue
        causes = list(CAUSES[condition.condition](plan, evidence))
        if not causes:
            claim = f"{condition.condition} is raised"
            findings.append(leave_open(NAME, claim, "a cause for it in this run", "nothing caused it"))
        for cause in causes:
            findings += _judge_cause(plan, evidence, condition, cause)
    return tuple(findings)


def _judge_form(evidence: Evidence) -> Finding:
    claim, expected = "every alert is a CloudEvents 1.0 event", "none that the webhook must refuse"
    wrong, right = evidence.find_all(INTERNET, "alert.rejected"), evidence.find_all(INTERNET, "alert.received")
    if wrong:
        return hold(NAME, False, claim, expected, f"{len(wrong)}: {wrong[0].data.get('error')}", wrong[:3])
    if not right:
        return hold(NAME, False, claim, "alerts", "nothing: no alert arrived")
    ids = {(str(s.data.get("source")), str(s.data.get("id"))) for s in right}
    return hold(NAME, len(ids) == len(right), claim, expected, f"{len(right)} alerts, {len(ids)} ids", right[:1])


def _judge_cause(plan: Plan, evidence: Evidence, condition: AlertCondition, cause: Cause) -> list[Finding]:
    name = f"{condition.condition}{f' ({cause.subject})' if cause.subject else ''}"
    claim, expected = f"{name} is raised, once", f"one alert within {condition.within_s:g} s of its cause"
    raised = list_alerts(evidence, condition.condition, RAISED, cause)
    serial = plan.branch.serial
    foreign = [s for s in raised if s.data.get("device") != serial]
    if foreign:
        told = f"one for device {foreign[0].data.get('device')}, not {serial}"
        return [hold(NAME, False, claim, expected, told, [cause.since, *foreign])]
    found = [_judge_times(claim, expected, condition, raised, cause.since)]
    claim, expected = f"{name} is cleared, once", f"one alert within {condition.within_s:g} s of its end"
    if cause.until is None:
        return [*found, leave_open(NAME, claim, expected, "nothing: the cause did not end", [cause.since])]
    cleared = list_alerts(evidence, condition.condition, CLEARED, cause)
    return [*found, _judge_times(claim, expected, condition, cleared, cause.until, told_s=cause.told_s)]


def _judge_times(
    claim: str, expected: str, condition: AlertCondition, alerts: Sequence[Seen], since: Seen, *, told_s: float = 0.0
) -> Finding:
    if told_s:
        expected += f", which takes up to {told_s:g} s to be one"
    if not alerts:
        return hold(NAME, False, claim, expected, "nothing", [since])
    late_s = to_s(alerts[0].at_ns - since.at_ns)
    holds = len(alerts) == 1 and late_s <= condition.within_s + told_s
    return hold(NAME, holds, claim, expected, f"{len(alerts)}, the first after {late_s:.1f} s", [since, *alerts])


def find_end(plan: Plan, evidence: Evidence) -> Seen | None:
    """Return the last alert once every one that is awaited is there, or what showed that none will come any more."""
    alerts = evidence.find_all(INTERNET, "alert.received")
    if alerts and all(f.outcome in ("PASS", "NOT_APPLICABLE") for f in judge(plan, evidence)):
        return alerts[-1]
    made = [c for c in list_conditions(plan) if find_reason(plan, c) is None]
    if all(is_over(plan, evidence, condition) for condition in made):
        return max(evidence, key=lambda s: s.at_ns, default=None)
    return None


def find_added_s(plan: Plan) -> float:
    """Return the seconds that the conditions' own limits, heartbeats and health checks add."""
    conditions, detect_s = list_conditions(plan), 2 * find_detect_s(plan) if can_fail_over(plan) else 0.0
    silent_s = (BEATS + 1) * plan.branch.heartbeat_s if "device_silent" in conditions else 0.0
    return sum(condition.within_s for condition in conditions.values()) + detect_s + silent_s


# ---------------------------------------------------------------- weakenings


def list_spoils(plan: Plan) -> tuple[Spoil, ...]:
    if plan.branch.alerts is None:
        return ()
    spoils = []
    for place, condition in enumerate(plan.branch.alerts.conditions):
        if find_reason(plan, condition.condition) is not None:
            continue
        key, drop = f"alerts.conditions[{place}]", partial(_drop, condition.condition)
        spoils.append(Spoil(f"no alert for {condition.condition}", key, drop, "management"))
        if condition.condition != "device_silent":
            spoils.append(Spoil(f"the device does not report {condition.condition}", key, drop))
    elsewhere = plan.branch.alerts.webhook.rstrip("/") + "-old"
    return (
        *spoils,
        Spoil("alerts go elsewhere", "alerts.webhook", partial(_move, elsewhere), "management"),
        Spoil("no alerts", "alerts", lambda settings: settings.update(alerts=None), "management"),
        Spoil("the device reports no alerts", "alerts", lambda config: config.update(alerts=None)),
    )


def _drop(condition: str, settings: dict[str, Any]) -> None:
    alerts = settings["alerts"]
    alerts["conditions"] = [c for c in alerts["conditions"] if c["condition"] != condition]


def _move(webhook: str, settings: dict[str, Any]) -> None:
    settings["alerts"]["webhook"] = webhook


# Contents from memory for NIST SP 800-53.
CHECK = Check(
    name=NAME,
    order=170,
    title="Operators are alerted of each condition, and of its end",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=WAIT_S,
    awaits=find_end,
    adds_s=find_added_s,
    disturbs=True,
    clauses=("PCI DSS 4.0.1 10.4.1", "PCI DSS 4.0.1 10.7.2", "NIST SP 800-53 SI-4"),
    spoils=list_spoils,
)


# ---------------------------------------------------------------- examples


def _alert(at_s: float, condition: str, state: str, number: str, **changes: Any) -> Observation:
    told = {"condition": condition, "state": state, "device": "SK-000017", "subject": "x", "source": "s", "id": number}
    return saw(INTERNET, "alert.received", at_s, **{**told, **changes})


def _silence(*alerts: Observation) -> tuple[Observation, ...]:
    """The radio link is cut from 1 to 8 s."""
    return (
        saw(CARRIER, "link.cut", 1.0, name="radio"),
        saw(CARRIER, "link.restored", 8.0, name="radio"),
        answered(CARRIER, f"{BOTH}.radio", 8.0, {"for_s": 7.0}),
        *alerts,
    )


def _away(*alerts: Observation) -> tuple[Observation, ...]:
    return (
        saw(GATEWAY, "gateway.closed", 1.0),
        saw(GATEWAY, "child.removed", 1.1),
        saw(GATEWAY, "gateway.opened", 3.5),
        answered(GATEWAY, "disturbance.gateway", 3.5, {"for_s": 2.5}),
        saw(GATEWAY, "child.installed", 4.0),
        *alerts,
    )


def _ask_for(*conditions: str) -> Plan:
    listed: list[Any] = list(conditions)
    asked = tuple(AlertCondition(condition, 10.0) for condition in listed)
    return build_plan(alerts=Alerts("http://alerts.skerry.example:8080/branches", asked))


_RAISED, _CLEARED = _alert(6.0, "device_silent", RAISED, "1"), _alert(9.0, "device_silent", CLEARED, "2")
_SILENT, _TUNNEL, _FAILOVER = _ask_for("device_silent"), _ask_for("tunnel_down"), _ask_for("uplink_failover")
_EITHER, _LOCKOUT = _ask_for("uplink_failover", "device_silent"), _ask_for("lockout")
_ELSEWHERE = replace(
    _LOCKOUT,
    branch=replace(
        _LOCKOUT.branch, administration=Administration("operator", ("staff",), lockout=Lockout(5, 60.0, 1800.0))
    ),
)
_SOURCE = "10.200.0.10"
_BLOCKED = _alert(2.5, "lockout", RAISED, "1", subject=_SOURCE)
_RELEASED = _alert(7.5, "lockout", CLEARED, "2", subject=_SOURCE)


def _block(*alerts: Observation) -> tuple[Observation, ...]:
    """A source is blocked at 2 s and released at 5.9 s, just before the trial ends."""
    return (
        saw(ROUTER, "source.blocked", 2.0, source=_SOURCE, failures=5, block_s=1800.0),
        saw(ROUTER, "source.released", 5.9, source=_SOURCE, reason="operator"),
        answered("hq-endpoint", lockout.LABEL, 6.0, {}),
        saw("management", "heartbeat.received", 20.0, serial="SK-000017"),
        *alerts,
    )


_SLOW = replace(_SILENT, branch=replace(_SILENT.branch, heartbeat_s=30.0))
_RARE = replace(_SILENT, branch=replace(_SILENT.branch, heartbeat_s=120.0))
_SLOW_SILENCE = (
    saw(CARRIER, "link.cut", 1.0, name="radio"),
    saw(CARRIER, "link.restored", 92.0, name="radio"),
    answered(CARRIER, f"{BOTH}.radio", 92.0, {"for_s": 91.0}),
    _alert(9.0, "device_silent", RAISED, "1"),
    _alert(95.0, "device_silent", CLEARED, "2"),
)
_DOWN, _UP = _alert(1.2, "tunnel_down", RAISED, "1"), _alert(4.2, "tunnel_down", CLEARED, "2")
EXAMPLES = (
    Example("silent, and back", "PASS", _silence(_RAISED, _CLEARED), _SILENT),
    Example("never raised", "FAIL", _silence(_alert(0.5, "threat", RAISED, "0"), _CLEARED), _SILENT),
    Example("raised twice", "FAIL", _silence(_RAISED, _alert(7.0, "device_silent", RAISED, "3"), _CLEARED), _SILENT),
    Example("raised too late", "FAIL", _silence(_alert(12.0, "device_silent", RAISED, "1"), _CLEARED), _SILENT),
    Example("never cleared", "FAIL", _silence(_RAISED), _SILENT),
    Example(
        "raised for another device",
        "FAIL",
        _silence(_alert(6.0, "device_silent", RAISED, "1", device="SK-1"), _CLEARED),
        _SILENT,
    ),
    Example(
        "an alert is no CloudEvent",
        "FAIL",
        _silence(_RAISED, _CLEARED, saw(INTERNET, "alert.rejected", 6.5, error="id: expected")),
        _SILENT,
    ),
    Example("the tunnel down, and up", "PASS", _away(_DOWN, _UP), _TUNNEL),
    Example("the tunnel's end is not raised", "FAIL", _away(_alert(0.5, "tunnel_down", RAISED, "1"), _UP), _TUNNEL),
    Example("one uplink cannot fail over", "NOT_APPLICABLE", (), _FAILOVER),
    Example("a device whose heartbeats are far apart", "PASS", _SLOW_SILENCE, _SLOW),
    Example("heartbeats farther apart than the bench cuts a link", "NOT_APPLICABLE", (), _RARE),
    Example("one uplink cannot fail over, but be silent", "PASS", _silence(_RAISED, _CLEARED), _EITHER),
    Example("a block is raised, and cleared within the time", "PASS", _block(_BLOCKED, _RELEASED), _LOCKOUT),
    Example("the end of a block is not told", "FAIL", _block(_BLOCKED), _LOCKOUT),
    Example("nobody can be locked out from HQ", "NOT_APPLICABLE", (), _ELSEWHERE),
    Example("nothing is caused", "INCONCLUSIVE", (_alert(0.5, "threat", RAISED, "0"),), _TUNNEL),
    Example("the profile sets no alerts", "NOT_APPLICABLE", (), build_plan(alerts=None)),
)
