"""monitoring_answers_hq: the router answers SNMPv3 from HQ, through the tunnel, to the profile's user (RFC 3414)."""

from __future__ import annotations

from harness.checks._shared import HQ, find_address_for_hq
from harness.core.entries import Answer, Check, Evidence, Example, find_broken, hold
from harness.core.model import Ask, Finding, Plan
from harness.core.references import to_reference
from harness.core.sample import answered, build_plan

NAME = "monitoring_answers_hq"
SYS_NAME, SYS_UP_TIME = "1.3.6.1.2.1.1.5.0", "1.3.6.1.2.1.1.3.0"  # RFC 3418 section 2, group system
TRY_S = 5.0
_OBJECTS = (("name", SYS_NAME), ("uptime", SYS_UP_TIME))


def why_not(plan: Plan) -> str | None:
    monitoring = plan.branch.monitoring
    if monitoring is None or not monitoring.users:
        return "the profile sets no monitoring user"
    if "hq" not in monitoring.reach_from:
        return "the profile does not open monitoring to HQ"
    return None if find_address_for_hq(plan) else "no segment of the branch lies in the tunnel's selectors"


def _label(user: str, word: str) -> str:
    return f"{NAME}.{user}.{word}"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    monitoring, target = plan.branch.monitoring, find_address_for_hq(plan)
    asks: list[Ask] = []
    for user in monitoring.users if monitoring else ():
        args = {
            "target": target,
            "user": user.name,
            "auth": user.auth,
            "auth_key": to_reference(user.auth_key),
            "priv": user.priv,
            "priv_key": to_reference(user.priv_key),
            "timeout_s": TRY_S,
        }
        asks += [Ask(HQ, "snmp_get", {**args, "oid": oid}, _label(user.name, word)) for word, oid in _OBJECTS]
    return tuple(asks)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    monitoring, hostname = plan.branch.monitoring, plan.branch.hostname
    found: list[Finding] = []
    for user in monitoring.users if monitoring else ():
        found.append(_judge(evidence, user.name, "name", f"sysName is {hostname}", hostname))
        found.append(_judge(evidence, user.name, "uptime", "sysUpTime runs", None))
    return tuple(found)


def _judge(evidence: Evidence, user: str, word: str, what: str, wanted: str | None) -> Finding:
    claim, label = f"user {user} reads from HQ: {what}", _label(user, word)
    expected = wanted or "hundredths of a second above 0"
    broken = find_broken(evidence, NAME, claim, expected, label)
    answer = evidence.find_answer(label)
    if broken is not None or answer is None:
        return broken or hold(NAME, False, claim, expected, "nothing")
    return hold(NAME, _is_right(answer, wanted), claim, expected, _tell(answer), [answer])


def _is_right(answer: Answer, wanted: str | None) -> bool:
    value = str(answer.get("value"))
    if answer.get("outcome") != "value":
        return False
    return value == wanted if wanted is not None else value.isdecimal() and int(value) > 0


def _tell(answer: Answer) -> str:
    outcome = answer.get("outcome")
    return f"{answer.get('value')}" if outcome == "value" else f"{outcome or answer.error}"


CHECK = Check(
    name=NAME,
    order=30,
    title="The router answers HQ's monitoring",
    after="tunnel_up",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=2 * TRY_S + 10.0,
)

_UPTIME = answered(HQ, _label("watch", "uptime"), 1.2, {"outcome": "value", "value": "4321", "detail": "TimeTicks"})

EXAMPLES = (
    Example(
        "name and time are read",
        "PASS",
        (answered(HQ, _label("watch", "name"), 1.0, {"outcome": "value", "value": "kiosk-north"}), _UPTIME),
    ),
    Example(
        "another name",
        "FAIL",
        (answered(HQ, _label("watch", "name"), 1.0, {"outcome": "value", "value": "router"}), _UPTIME),
    ),
    Example(
        "no answer",
        "FAIL",
        (answered(HQ, _label("watch", "name"), 6.0, {"outcome": "timeout", "value": None}), _UPTIME),
    ),
    Example(
        "the key is wrong",
        "FAIL",
        (answered(HQ, _label("watch", "name"), 1.0, {"outcome": "wrong_digest", "value": None}), _UPTIME),
    ),
    Example(
        "the probe breaks",
        "INCONCLUSIVE",
        (answered(HQ, _label("watch", "name"), 1.0, None, "KeyError: 'sha224'"), _UPTIME),
    ),
    Example("the profile sets no monitoring", "NOT_APPLICABLE", (), build_plan(monitoring=None)),
)
