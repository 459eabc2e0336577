"""monitoring: SNMPv3 is answered from where the profile says, to its users with both keys, within its views; nothing
else is, from nowhere (RFC 3414, RFC 3415, RFC 7860).

Each silence is looked for between two readings that work: before all else, and after. Not here: the requests
(_monitoring_tries.py).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from harness.checks._monitoring_spoils import spoils
from harness.checks._monitoring_tries import (
    Place,
    Request,
    is_known,
    list_knocks,
    list_open,
    list_outside,
    list_reads,
    list_shut,
    list_strange,
    list_weak,
    list_writes,
)
from harness.checks._shared import HQ, ask_after_lease, is_awaited
from harness.checks._vantages import LABEL_WAN, WAN_ROUTES, ask_wan, find_wan, hand_out
from harness.core.entries import Answer, Check, Evidence, Example, as_list, find_broken, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan

NAME = "monitoring"
READ_S, TRY_S = 5.0, 2.0
"""Reading is tried again each second until its time is up: a lost packet is nobody's refusal. What must stay silent is
tried twice."""
BEFORE, AFTER = f"{NAME}.before", f"{NAME}.after"
READING = "before and after all else, the right keys read what the profile says"
ANYWHERE = "the probe gave no answer to every request"


def why_not(plan: Plan) -> str | None:
    if plan.branch.monitoring is None or not plan.branch.monitoring.users:
        return "the profile sets no monitoring user"
    return None if list_open(plan) else "the profile opens monitoring to no place that the bench can ask from"


# ---------------------------------------------------------------- asking


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    first = (*_ask_reads(plan, evidence), ask_wan(plan))
    if is_awaited(evidence, first):
        return first
    home = list_open(plan)[0]
    tries = [
        *(_ask(home, [r for _, group in list_groups(plan) for r in group], f"{NAME}.tries", TRY_S),),
        *(a for place in list_shut(plan, evidence) for a in _ask_place(evidence, place, list_knocks(plan, place))),
    ]
    due = (*first, *tries)
    if is_awaited(evidence, due):
        return due
    return (*due, _ask(home, _list_all_reads(plan), AFTER, READ_S))


def list_groups(plan: Plan) -> tuple[tuple[str, tuple[Request, ...]], ...]:
    """Return what must get nothing from a place that may read: claim and requests."""
    monitoring = plan.branch.monitoring
    groups: list[tuple[str, tuple[Request, ...]]] = []
    for user in monitoring.users if monitoring else ():
        groups += [
            (f"user {user.name} is shown nothing outside of the views", list_outside(plan, user)),
            (f"user {user.name} gets nothing without both right keys", list_weak(plan, user)),
            (f"user {user.name} writes nothing", list_writes(plan, user)),
        ]
    return (*groups, ("communities, and users that the profile does not know, get nothing", list_strange(plan)))


def _ask_reads(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    reads = _list_all_reads(plan)
    places = list_open(plan)
    asks = [a for place in places for a in _ask_place(evidence, place, reads, BEFORE, READ_S)]
    return tuple(asks)


def _list_all_reads(plan: Plan) -> list[Request]:
    monitoring = plan.branch.monitoring
    return [request for user in (monitoring.users if monitoring else ()) for request in list_reads(plan, user)]


def _ask_place(
    evidence: Evidence, place: Place, requests: Sequence[Request], word: str = f"{NAME}.shut", timeout_s: float = TRY_S
) -> tuple[Ask, ...]:
    ask = _ask(place, requests, f"{word}.{place.name}", timeout_s)
    return ask_after_lease(evidence, place.node, (ask,)) if place.node.startswith("client") else (ask,)


def _ask(place: Place, requests: Sequence[Request], label: str, timeout_s: float) -> Ask:
    tries = [dict(request.args) for request in requests]
    return Ask(place.node, "snmp_tries", {"target": place.targets[0], "tries": tries, "timeout_s": timeout_s}, label)


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    reads, places = _list_all_reads(plan), list_open(plan)
    first = [
        judge_batch(evidence, reads, f"{BEFORE}.{place.name}", f"what the profile opens is read from {place.name}")
        for place in places
    ]
    last = judge_batch(evidence, reads, AFTER, f"it still is, and unchanged, from {places[0].name} at the end")
    found, place = [*first, last], 0
    answers_all = all(f.outcome == "PASS" for f in (first[0], last))
    groups = list_groups(plan)
    whole = [request for _, group in groups for request in group]
    for claim, group in groups:
        batch = judge_batch(evidence, group, f"{NAME}.tries", claim, (place, len(whole)))
        place += len(group)
        found.append(_with_control(batch, answers_all))
    for shut in list_shut(plan, evidence):
        claim = f"nothing is answered from {shut.name}"
        batch = judge_batch(evidence, list_knocks(plan, shut), f"{NAME}.shut.{shut.name}", claim)
        found.append(_with_control(batch, answers_all))
    if find_wan(plan, evidence) is None:
        claim = "nothing is answered from wan"
        found.append(leave_open(NAME, claim, "silence", "nothing: it never told the address that it gave the router"))
    return tuple(found)


def judge_batch(
    evidence: Evidence, requests: Sequence[Request], label: str, claim: str, part: tuple[int, int] | None = None
) -> Finding:
    """Judge a batch, or the part of one: where it begins, and how many requests the whole has."""
    offset, count = part or (0, len(requests))
    expected = "; ".join(sorted({request.expected for request in requests}))
    broken = find_broken(evidence, NAME, claim, expected, label)
    answer = evidence.find_answer(label)
    if broken is not None or answer is None:
        return broken or leave_open(NAME, claim, expected, ANYWHERE)
    results = _read_results(answer, count)
    if results is None:
        return leave_open(NAME, claim, expected, ANYWHERE, [answer])
    pairs = list(zip(requests, results[offset : offset + len(requests)], strict=True))
    strange = [f"{request.what}: {tell(result)}" for request, result in pairs if not is_known(result)]
    known = [(request, result) for request, result in pairs if is_known(result)]
    wrong = [f"{request.what}: {tell(result)}" for request, result in known if not request.holds(result)]
    if strange and not wrong:
        return leave_open(NAME, claim, expected, "; ".join(strange), [answer])
    seen = "; ".join(wrong) if wrong else f"all {len(pairs)} as expected"
    return hold(NAME, not wrong, claim, expected, seen, [answer])


def tell(result: dict[str, Any]) -> str:
    """Return an answer in words."""
    if result.get("outcome") == "value":
        return f"{result.get('oid')} = {result.get('value')}"
    return str(result.get("outcome"))


def _read_results(answer: Answer, count: int) -> list[dict[str, Any]] | None:
    results = as_list(answer.get("results"))
    whole = len(results) == count and all(isinstance(result, dict) for result in results)
    return results if whole else None


def _with_control(finding: Finding, answers: bool) -> Finding:
    """Silence means nothing where the right keys get none either."""
    if answers or finding.outcome != "PASS":
        return finding
    return replace(finding, outcome="INCONCLUSIVE", seen=f"{finding.seen}; but the right keys did not read either")


CHECK = Check(
    name=NAME,
    order=30,
    title="Monitoring is answered where, to whom and as far as the profile says",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=3 * READ_S + 25.0,
    clauses=(
        "PCI DSS 4.0.1 2.2.2",
        "PCI DSS 4.0.1 2.2.5",
        "45 CFR 164.312(d)",
        "NIST SP 800-53 AC-3",
        "NIST SP 800-53 CM-7",
        "NIST SP 800-53 SC-8",
    ),
    spoils=spoils,
)

# ---------------------------------------------------------------- examples

_PLAN = build_plan()
_WAN = answered("carrier", LABEL_WAN, 1.5, hand_out(WAN_ROUTES))
_LEASE = answered("client1", "lease.client1", 0.8, {"address": "10.20.10.100"})
_LEASE_2 = answered("client2", "lease.client2", 0.8, {"address": "10.20.30.100"})
Say = Callable[[Request], dict[str, Any]]


def _right(request: Request) -> dict[str, Any]:
    """Answer as a router does that has everything right."""
    oid, op = str(request.args["oid"]), request.args.get("op", "get")
    if request.expected in ("nothing", "silence"):
        return {"outcome": "timeout"}
    if request.expected == "no such user":
        return {"outcome": "unknown_user"}
    if op == "next":
        inside = request.expected.startswith("an object under")
        return {"outcome": "value", "oid": f"{oid}.1.1.0", "value": "1"} if inside else {"outcome": "no_such_object"}
    return {"outcome": "value", "oid": oid, "value": "4321" if request.expected == "above 0" else request.expected}


def _seen(say: Say = _right, shut: Say = _right, reads: Say = _right) -> tuple[Observation, ...]:
    evidence = Evidence()
    tries = [r for _, group in list_groups(_PLAN) for r in group]
    batches = [(HQ, f"{BEFORE}.hq", _list_all_reads(_PLAN), reads), (HQ, f"{NAME}.tries", tries, say)]
    wan = Place("wan", "carrier", ("100.64.0.2",))
    for place in (*list_shut(_PLAN, evidence), wan):
        batches.append((place.node, f"{NAME}.shut.{place.name}", list(list_knocks(_PLAN, place)), shut))
    batches.append((HQ, AFTER, _list_all_reads(_PLAN), reads))
    told = (
        answered(node, label, 1.0 + place / 10, {"results": [say_it(r) for r in requests]})
        for place, (node, label, requests, say_it) in enumerate(batches)
    )
    return (_WAN, _LEASE, _LEASE_2, *told)


def _but(what: str, outcome: str, oid: str | None = None) -> Say:
    """Answer rightly, but to requests with these words in `what`."""
    other = {"outcome": outcome, "oid": oid, "value": "leaked" if outcome == "value" else None}
    return lambda request: {**other, "oid": oid or request.args["oid"]} if what in request.what else _right(request)


def _leak_and_break(request: Request) -> dict[str, Any]:
    """One object outside of the views is given, and another request of the same group breaks."""
    if request.what.startswith("next of 0.0"):
        return {"outcome": "serialization_error"}
    return _but("get 1.3.6.1.6.3", "value")(request)


EXAMPLES = (
    Example("read as told, and nothing else", "PASS", _seen()),
    Example("another name", "FAIL", _seen(reads=_but("sysName", "value"))),
    Example("no answer at all", "FAIL", _seen(reads=lambda _: {"outcome": "timeout"})),
    Example("the key is wrong", "FAIL", _seen(reads=lambda _: {"outcome": "wrong_digest"})),
    Example("more is shown than the views", "FAIL", _seen(_but("get 1.3.6.1.6.3", "value"))),
    Example("walking on leads out of the views", "FAIL", _seen(_but("next of", "value", "1.3.6.1.4.1.2021.4.5.0"))),
    Example("walking on stays in the views", "PASS", _seen(_but("next of 0.0", "value", "1.3.6.1.2.1.1.1.0"))),
    Example("an unencrypted request is answered", "FAIL", _seen(_but("without encryption", "value"))),
    Example("an unauthenticated request is answered", "FAIL", _seen(_but("without authentication", "value"))),
    Example("a wrong key is answered", "FAIL", _seen(_but("wrong key for encryption", "value"))),
    Example("the weaker authentication is answered", "FAIL", _seen(_but("SHA-1", "value"))),
    Example("something is written", "FAIL", _seen(_but("set sysContact", "value"))),
    Example("a community is answered", "FAIL", _seen(_but("v2c, community public", "value"))),
    Example("there is a user more", "FAIL", _seen(_but("user initial", "error_authorizationError"))),
    Example("another place is answered", "FAIL", _seen(shut=_but("user watch", "value"))),
    Example("another place is turned away in words", "FAIL", _seen(shut=_but("user watch", "wrong_digest"))),
    Example("the probe breaks", "INCONCLUSIVE", _seen(_but("set sysContact", "serialization_error"))),
    Example("the probe breaks, but another request was answered", "FAIL", _seen(_leak_and_break)),
    Example(
        "the probe says nothing of some requests",
        "INCONCLUSIVE",
        (*_seen()[:4], answered(HQ, f"{NAME}.tries", 1.1, {"results": []}), *_seen()[5:]),
    ),
    Example("the address outside is not known", "INCONCLUSIVE", _seen()[1:]),
    Example("the profile sets no monitoring", "NOT_APPLICABLE", (), build_plan(monitoring=None)),
)
