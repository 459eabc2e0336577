"""What causes an alert or keeps it from being caused, and what of it was seen (alerts). Layer: checks, pure.

Not here: making the causes happen, and judging what was raised for them (alerts.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from emulators.common.controls import AlertCondition
from harness.checks import lockout, threats
from harness.checks._disturb import CARRIER, INTERNET, ROUTER, find_after, find_away
from harness.core.entries import Evidence, Seen
from harness.core.model import Plan
from harness.core.timing import to_ns

LINKS = {"cellular": (CARRIER, "radio"), "ethernet": (INTERNET, "fixed")}
"""An uplink's link on the bench, and the node that can cut it."""
FIRST, BOTH = "alerts.first_cut", "alerts.cut"
BEATS = 3
"""Heartbeats missed that make a device silent (emulators/management/alerts.py)."""
SLACK_S = 1.0
LONGEST_S = 300.0
"""An outage lasts that long at most (emulators/common/outage.py)."""
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


def list_conditions(plan: Plan) -> dict[str, AlertCondition]:
    """Return the conditions that the profile wants told, by name."""
    return {c.condition: c for c in plan.branch.alerts.conditions} if plan.branch.alerts else {}


def can_fail_over(plan: Plan) -> bool:
    """Say whether a failover is wanted told, and the branch can make one."""
    return (
        "uplink_failover" in list_conditions(plan) and len(plan.branch.uplinks) > 1 and plan.branch.health is not None
    )


def find_detect_s(plan: Plan) -> float:
    """Return how long the device takes at most to find its uplink sick."""
    health = plan.branch.health
    return health.failures * (health.interval_s + PING_WAIT_S) if health else 0.0


def find_silence_s(plan: Plan) -> float:
    """Return how long all links are cut, so that a device is silent."""
    return BEATS * plan.branch.heartbeat_s + SLACK_S


def is_over(plan: Plan, evidence: Evidence, condition: str) -> bool:
    """Say whether a condition had its causes, all are over, and their ends were told, or will hardly be any more."""
    causes = list(CAUSES[condition](plan, evidence))
    return bool(causes) and all(_is_told(plan, evidence, condition, cause) for cause in causes)


def _is_told(plan: Plan, evidence: Evidence, condition: str, cause: Cause) -> bool:
    if cause.until is None:
        return False
    if find_alert(evidence, condition, CLEARED, cause) is not None:
        return True
    limit_ns = cause.until.at_ns + to_ns(list_conditions(plan)[condition].within_s + cause.told_s)
    return any(s.at_ns > limit_ns for s in evidence)


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
    if can_fail_over(plan) and cuts:
        cut, end = cuts[0]
        yield Cause(cut, end, told_s=find_detect_s(plan), before_ns=cuts[1][0].at_ns if len(cuts) > 1 else None)


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
MADE_ELSEWHERE = {"lockout": lockout.CHECK, "threat": threats.CHECK}
"""Conditions that the check of another control causes."""


def list_alerts(evidence: Evidence, condition: str, state: str, cause: Cause) -> list[Seen]:
    """Return the alerts of a condition and state that a cause can have brought."""
    found = evidence.find_all(INTERNET, "alert.received", condition=condition, state=state)
    until_ns = cause.before_ns
    return [
        s
        for s in found
        if s.at_ns >= cause.since.at_ns
        and (until_ns is None or s.at_ns < until_ns)
        and cause.subject in (None, s.data.get("subject"))
    ]


def find_alert(evidence: Evidence, condition: str, state: str, cause: Cause) -> Seen | None:
    """Return the first alert of a cause, or None."""
    return next(iter(list_alerts(evidence, condition, state, cause)), None)


def find_reason(plan: Plan, condition: str) -> str | None:
    """Return why a condition cannot occur in this branch, or None."""
    if condition == "uplink_failover" and len(plan.branch.uplinks) < 2:
        return "the branch has one uplink"
    if condition == "uplink_failover" and plan.branch.health is None:
        return "the profile does not judge the uplinks' health"
    if condition == "device_silent" and find_silence_s(plan) > LONGEST_S:
        return f"{BEATS} heartbeats take longer than the bench cuts a link ({LONGEST_S:g} s)"
    elsewhere = MADE_ELSEWHERE.get(condition)
    return elsewhere.why_not(plan) if elsewhere is not None else None
