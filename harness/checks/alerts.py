"""alerts: each condition of the profile, caused for real, is raised at the webhook in time and once, and cleared after.

The webhook is a server of the operator's own on the internet: it takes only what CloudEvents 1.0 allows, and knows an
event that comes again. Causes: the gateway goes out of service (tunnel_down), the preferred uplink's link is cut
(uplink_failover), then every uplink's (device_silent); a source is blocked and a threat is met in the checks of those
controls. Not here: what the device writes meanwhile (logs_of_events.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from emulators.common.controls import AlertCondition, Alerts
from harness.checks import lockout, threats
from harness.checks._disturb import CARRIER, GATEWAY, INTERNET, ROUTER, ask_away, find_after, find_away
from harness.core.entries import Check, Evidence, Example, Seen, Spoil, hold, leave_open, set_aside
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.timing import to_ns, to_s

NAME = "alerts"
WAIT_S = 60.0
LINKS = {"cellular": (CARRIER, "radio"), "ethernet": (INTERNET, "fixed")}
"""An uplink's link on the bench, and the node that can cut it."""
FIRST, BOTH = f"{NAME}.first_cut", f"{NAME}.cut"
BEATS = 3
"""Heartbeats missed that make a device silent (emulators/management/alerts.py)."""
SLACK_S = 1.0
PING_WAIT_S = 1.0
"""How long the device waits for a health check's answer (emulators/router/runtime/uplinks.py)."""
QUIET_S = 3.0
"""How long a threat must not be seen to be over (emulators/router/runtime/alert_conditions.py)."""
RAISED, CLEARED = "raised", "cleared"


@dataclass(frozen=True, slots=True)
class Cause:
    """Why an alert is due. `since`: the cause; `until`: its end, None while it lasts. `told_s`: how long its end takes
    to be one; `before_ns`: alerts from then on are of other causes."""

    since: Seen
    until: Seen | None
    subject: str | None = None
    told_s: float = 0.0
    before_ns: int | None = None


def why_not(plan: Plan) -> str | None:
    return None if plan.branch.alerts else "the profile sets no alerts"


def _conditions(plan: Plan) -> dict[str, AlertCondition]:
    return {c.condition: c for c in plan.branch.alerts.conditions} if plan.branch.alerts else {}


def _fails_over(plan: Plan) -> bool:
    return "uplink_failover" in _conditions(plan) and len(plan.branch.uplinks) > 1 and plan.branch.health is not None


def _detect_s(plan: Plan) -> float:
    """Return how long the device takes at most to find its uplink sick."""
    health = plan.branch.health
    return health.failures * (health.interval_s + PING_WAIT_S) if health else 0.0


# ---------------------------------------------------------------- causes


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    """One disturbance after the other, each once the one before is over and told."""
    due: list[Ask] = []
    conditions = _conditions(plan)
    for condition, check in (("lockout", lockout.CHECK), ("threat", threats.CHECK)):
        if condition in conditions and check.why_not(plan) is None:
            due += check.actions(plan, evidence)  # asks that were answered before are not sent again
            if any(evidence.find_answer(ask.label) is None for ask in due):
                return tuple(due)
    if "tunnel_down" in conditions:
        due.append(ask_away())
        if not _is_over(plan, evidence, "tunnel_down"):
            return tuple(due)
    if _fails_over(plan):
        node, link = LINKS[plan.branch.uplinks[0]]
        due.append(Ask(node, "outage", {"name": link, "for_s": _detect_s(plan) + SLACK_S}, FIRST))
        if not _is_over(plan, evidence, "uplink_failover"):
            return tuple(due)
    if "device_silent" in conditions:
        for_s = BEATS * plan.branch.heartbeat_s + SLACK_S
        for kind in plan.branch.uplinks:
            node, link = LINKS[kind]
            due.append(Ask(node, "outage", {"name": link, "for_s": for_s}, f"{BOTH}.{link}"))
    return tuple(due)


def _is_over(plan: Plan, evidence: Evidence, condition: str) -> bool:
    """Say whether a condition's cause is over and its end was told, or will hardly be any more."""
    for cause in CAUSES[condition](plan, evidence):
        if cause.until is None:
            return False
        if _find_alert(evidence, condition, CLEARED, cause) is not None:
            return True
        limit_ns = cause.until.at_ns + to_ns(_conditions(plan)[condition].within_s + cause.told_s)
        return any(s.at_ns > limit_ns for s in evidence)
    return False


def _find_tunnel_down(plan: Plan, evidence: Evidence) -> Iterator[Cause]:
    away = find_away(evidence)
    if away is not None and away.down is not None:
        cuts = [s.at_ns for node in (CARRIER, INTERNET) for s in evidence.find_all(node, "link.cut")]
        yield Cause(away.down, away.up, before_ns=min(cuts, default=None))


def _list_cuts(plan: Plan, evidence: Evidence) -> tuple[tuple[Seen, Seen | None], ...]:
    """Return each cut of the preferred uplink's link, with its end."""
    node, link = LINKS[plan.branch.uplinks[0]]
    ends = evidence.find_all(node, "link.restored", name=link)
    cuts = evidence.find_all(node, "link.cut", name=link)
    return tuple((cut, next((e for e in ends if e.at_ns > cut.at_ns), None)) for cut in cuts)


def _find_failover(plan: Plan, evidence: Evidence) -> Iterator[Cause]:
    cuts = _list_cuts(plan, evidence)
    if _fails_over(plan) and cuts:
        cut, end = cuts[0]
        yield Cause(cut, end, told_s=_detect_s(plan), before_ns=cuts[1][0].at_ns if len(cuts) > 1 else None)


def _find_silence(plan: Plan, evidence: Evidence) -> Iterator[Cause]:
    """All links are cut: the last that was is the cause, the first that comes back its end."""
    ends, cuts = [], []
    for kind in plan.branch.uplinks:
        node, link = LINKS[kind]
        cut = evidence.find_last(node, "link.cut", name=link)
        if cut is None or evidence.find_answer(f"{BOTH}.{link}") is None:
            return
        cuts.append(cut)
        end = find_after(evidence, node, "link.restored", cut, name=link)
        if end is not None:
            ends.append(end)
    since = max(cuts, key=lambda s: s.at_ns)
    yield Cause(since, min(ends, key=lambda s: s.at_ns, default=None), told_s=plan.branch.heartbeat_s)


def _find_blocks(plan: Plan, evidence: Evidence) -> Iterator[Cause]:
    for block in evidence.find_all(ROUTER, "source.blocked")[:3]:
        source = str(block.data.get("source"))
        released = find_after(evidence, ROUTER, "source.released", block, source=source)
        yield Cause(block, released, source)


def _find_threats(plan: Plan, evidence: Evidence) -> Iterator[Cause]:
    """A threat lasts while it is seen again within QUIET_S."""
    met: dict[str, list[Seen]] = {}
    for seen in evidence.find_all(ROUTER, "threat.detected"):
        met.setdefault(f"{seen.data.get('signature')} from {seen.data.get('source')}", []).append(seen)
    for subject, seens in list(met.items())[:4]:
        last = seens[0]
        for seen in seens[1:]:
            if seen.at_ns - last.at_ns > to_ns(QUIET_S):
                break
            last = seen
        following = next((s.at_ns for s in seens if s.at_ns > last.at_ns), None)
        yield Cause(seens[0], last, subject, told_s=QUIET_S + SLACK_S, before_ns=following)


CAUSES: dict[str, Callable[[Plan, Evidence], Iterator[Cause]]] = {
    "tunnel_down": _find_tunnel_down,
    "uplink_failover": _find_failover,
    "device_silent": _find_silence,
    "lockout": _find_blocks,
    "threat": _find_threats,
}
MADE_HERE = ("tunnel_down", "uplink_failover", "device_silent")


# ---------------------------------------------------------------- judging


def _list_alerts(evidence: Evidence, condition: str, state: str, cause: Cause) -> list[Seen]:
    found = evidence.find_all(INTERNET, "alert.received", condition=condition, state=state)
    until_ns = cause.before_ns
    return [
        s
        for s in found
        if s.at_ns >= cause.since.at_ns
        and (until_ns is None or s.at_ns < until_ns)
        and cause.subject in (None, s.data.get("subject"))
    ]


def _find_alert(evidence: Evidence, condition: str, state: str, cause: Cause) -> Seen | None:
    return next(iter(_list_alerts(evidence, condition, state, cause)), None)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    findings = [_judge_form(evidence)]
    for condition in _conditions(plan).values():
        reason = _find_reason(plan, condition.condition)
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


def _find_reason(plan: Plan, condition: str) -> str | None:
    """Return why a condition cannot occur in this branch, or None."""
    if condition == "uplink_failover" and len(plan.branch.uplinks) < 2:
        return "the branch has one uplink"
    if condition == "uplink_failover" and plan.branch.health is None:
        return "the profile does not judge the uplinks' health"
    if condition == "lockout" and not (plan.branch.administration and plan.branch.administration.lockout):
        return "the profile sets no lock-out"
    return "the profile sets no detection of threats" if condition == "threat" and not plan.branch.threats else None


def _judge_form(evidence: Evidence) -> Finding:
    claim, expected = "every alert is a CloudEvents 1.0 event", "none that the webhook must refuse"
    wrong, right = evidence.find_all(INTERNET, "alert.rejected"), evidence.find_all(INTERNET, "alert.received")
    if wrong:
        return hold(NAME, False, claim, expected, f"{len(wrong)}: {wrong[0].data.get('error')}", wrong[:3])
    if not right:
        return hold(NAME, False, claim, "alerts", "nothing: no alert arrived")
    ids = {(s.data.get("source"), s.data.get("id")) for s in right}
    return hold(NAME, len(ids) == len(right), claim, expected, f"{len(right)} alerts, {len(ids)} ids", right[:1])


def _judge_cause(plan: Plan, evidence: Evidence, condition: AlertCondition, cause: Cause) -> list[Finding]:
    name = f"{condition.condition}{f' ({cause.subject})' if cause.subject else ''}"
    claim, expected = f"{name} is raised, once", f"one alert within {condition.within_s:g} s of its cause"
    raised = _list_alerts(evidence, condition.condition, RAISED, cause)
    serial = plan.branch.serial
    foreign = [s for s in raised if s.data.get("device") != serial]
    if foreign:
        told = f"one for device {foreign[0].data.get('device')}, not {serial}"
        return [hold(NAME, False, claim, expected, told, [cause.since, *foreign])]
    found = [_judge_times(claim, expected, condition, raised, cause.since)]
    claim, expected = f"{name} is cleared, once", f"one alert within {condition.within_s:g} s of its end"
    if cause.until is None:
        return [*found, leave_open(NAME, claim, expected, "nothing: the cause did not end", [cause.since])]
    cleared = _list_alerts(evidence, condition.condition, CLEARED, cause)
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
    made = [c for c in MADE_HERE if c in _conditions(plan) and _find_reason(plan, c) is None]
    if all(_is_over(plan, evidence, condition) for condition in made):
        return max(evidence, key=lambda s: s.at_ns, default=None)
    return None


# ---------------------------------------------------------------- weakenings


def list_spoils(plan: Plan) -> tuple[Spoil, ...]:
    if plan.branch.alerts is None:
        return ()
    spoils = []
    for place, condition in enumerate(plan.branch.alerts.conditions):
        if _find_reason(plan, condition.condition) is not None:
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
    Example("one uplink cannot fail over", "PASS", (_RAISED, _CLEARED), _FAILOVER),
    Example("nothing is caused", "INCONCLUSIVE", (_alert(0.5, "threat", RAISED, "0"),), _TUNNEL),
    Example("the profile sets no alerts", "NOT_APPLICABLE", (), build_plan(alerts=None)),
)
