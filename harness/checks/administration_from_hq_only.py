"""administration_from_hq_only: the operator logs in by key from HQ; the LAN's clients find no door (SSH, RFC 4253)."""

from __future__ import annotations

from harness.checks._shared import (
    HQ,
    ask_after_lease,
    find_address_for_hq,
    find_router_address,
    list_clients,
)
from harness.core.entries import Check, Evidence, Example, find_broken, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan, Segment
from harness.core.references import OPERATOR_KEY, to_reference
from harness.core.sample import answered, build_plan
from harness.stages._shared import LEASE_TIMEOUT_S, label_lease

NAME = "administration_from_hq_only"
SSH_PORT = 22  # RFC 4253 section 4.1
TRY_S = 10.0
LABEL_HQ = f"{NAME}.hq"


def why_not(plan: Plan) -> str | None:
    administration = plan.branch.administration
    if administration is None:
        return "the profile sets no administration"
    if "hq" not in administration.reach_from:
        return "the profile does not open administration to HQ"
    return None if find_address_for_hq(plan) else "no segment of the branch lies in the tunnel's selectors"


def _shut_out(plan: Plan) -> tuple[tuple[str, Segment], ...]:
    administration = plan.branch.administration
    allowed = administration.reach_from if administration else ()
    return tuple((c, s) for c, s in list_clients(plan) if s.name not in allowed)


def _label(client: str) -> str:
    return f"{NAME}.{client}"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    administration = plan.branch.administration
    args = {
        "target": find_address_for_hq(plan),
        "port": SSH_PORT,
        "user": administration.user if administration else "",
        "key_pem": to_reference(OPERATOR_KEY),
        "timeout_s": TRY_S,
    }
    due = [Ask(HQ, "ssh", args, LABEL_HQ)]
    for client, segment in _shut_out(plan):
        door = {"target": find_router_address(segment), "port": SSH_PORT, "timeout_s": 3.0}
        due += ask_after_lease(evidence, client, [Ask(client, "open_tcp", door, _label(client))])
    return tuple(due)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    return (_judge_hq(evidence), *(_judge_client(evidence, client, s) for client, s in _shut_out(plan)))


def _judge_hq(evidence: Evidence) -> Finding:
    claim, expected = "the operator logs in from HQ with the run's key", "connected"
    broken = find_broken(evidence, NAME, claim, expected, LABEL_HQ)
    answer = evidence.find_answer(LABEL_HQ)
    if broken is not None or answer is None:
        return broken or leave_open(NAME, claim, expected, "nothing")
    seen = f"{answer.get('outcome') or answer.error}" + (f": {answer.get('detail')}" if answer.get("detail") else "")
    return hold(NAME, answer.get("outcome") == "connected", claim, expected, seen, [answer])


def _judge_client(evidence: Evidence, client: str, segment: Segment) -> Finding:
    claim, expected = f"segment {segment.name} cannot open SSH on the router", "refused or silent"
    lease = evidence.find_answer(label_lease(client))
    if lease is None or not lease.ok:
        return leave_open(NAME, claim, expected, "nothing: the client has no lease to try with", [lease])
    broken = find_broken(evidence, NAME, claim, expected, _label(client))
    answer = evidence.find_answer(_label(client))
    if broken is not None or answer is None:
        return broken or leave_open(NAME, claim, expected, "nothing")
    outcome = answer.get("outcome")
    return hold(NAME, outcome in ("refused", "silent"), claim, expected, f"{outcome}", [answer])


CHECK = Check(
    name=NAME,
    order=40,
    title="The router is administered from HQ only",
    after="tunnel_up",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + TRY_S + 10.0,
)


def _tries(hq: str, staff: str, guest: str) -> tuple[Observation, ...]:
    leased = [answered(c, label_lease(c), 1.0, {"address": "10.0.0.1"}) for c in ("client1", "client2")]
    return (
        *leased,
        answered(HQ, LABEL_HQ, 2.0, {"outcome": hq, "host_key": "ssh-ed25519 AAAA", "detail": None}),
        answered("client1", _label("client1"), 2.0, {"outcome": staff, "detail": None}),
        answered("client2", _label("client2"), 5.0, {"outcome": guest, "detail": None}),
    )


EXAMPLES = (
    Example("in from HQ, no door from the LAN", "PASS", _tries("connected", "refused", "silent")),
    Example("guests find the door open", "FAIL", _tries("connected", "silent", "open")),
    Example("the operator's key is not taken", "FAIL", _tries("auth_failed", "silent", "silent")),
    Example("no door from HQ either", "FAIL", _tries("silent", "silent", "silent")),
    Example(
        "the probe breaks",
        "INCONCLUSIVE",
        (
            *_tries("", "silent", "silent")[:2],
            *_tries("", "silent", "silent")[3:],
            answered(HQ, LABEL_HQ, 2.0, None, "ValueError: no key"),
        ),
    ),
    Example("the profile sets no administration", "NOT_APPLICABLE", (), build_plan(administration=None)),
)
