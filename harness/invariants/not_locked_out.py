"""not_locked_out: after any fault the operator gets in from HQ with the key, as the profile says.

A device that never got a configuration knows no operator, and shuts nobody out: management gives it the rest.
"""

from __future__ import annotations

from harness.checks._shared import HQ, find_address_for_hq
from harness.core.entries import Check, Evidence, Example, find_broken, hold, leave_open
from harness.core.faults import BENCH
from harness.core.model import Ask, Finding, Plan
from harness.core.references import OPERATOR_KEY, to_reference
from harness.core.sample import answered, build_plan
from harness.invariants.whole_configuration import _REPORTED, find_reported

NAME = "not_locked_out"
LABEL = f"{BENCH}{NAME}"
SSH_PORT = 22  # RFC 4253 section 4.1
TRY_S = 15.0  # a handshake over the slowest path of the catalogue takes seven round trips of 1.2 s. A timeout


def why_not(plan: Plan) -> str | None:
    administration = plan.branch.administration
    if administration is None:
        return "the profile sets no administration"
    if "hq" not in administration.reach_from or "key" not in administration.methods:
        return "nobody logs in from HQ with a key"
    return None if find_address_for_hq(plan) else "no address of the router's is in the tunnel"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    administration, target = plan.branch.administration, find_address_for_hq(plan)
    if administration is None or target is None:
        return ()
    login = {"target": target, "port": SSH_PORT, "user": administration.user, "timeout_s": TRY_S}
    return (Ask(HQ, "ssh", {**login, "key_pem": to_reference(OPERATOR_KEY)}, LABEL),)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    claim, expected = "the operator gets in from HQ", "connected, by key"
    if not find_reported(evidence):
        seen = "never got a configuration: there is no operator yet, and nothing that shuts one out"
        return (hold(NAME, True, claim, "in, once there is a configuration", seen),)
    broken = find_broken(evidence, NAME, claim, expected, LABEL)
    answer = evidence.find_answer(LABEL)
    if broken is not None or answer is None:
        return (broken or leave_open(NAME, claim, expected, "nothing"),)
    seen = f"{answer.get('outcome') or answer.error}" + (f": {answer.get('detail')}" if answer.get("detail") else "")
    return (hold(NAME, answer.get("outcome") == "connected", claim, expected, seen, [answer]),)


INVARIANT = Check(
    name=NAME,
    order=65,
    title="The operator is not locked out",
    after="hq_reached",
    why_not=why_not,
    judge=judge,
    timeout_s=TRY_S + 5.0,
    actions=act,
)

EXAMPLES = (
    Example("in from HQ", "PASS", (_REPORTED, answered(HQ, LABEL, 10.0, {"outcome": "connected", "detail": None}))),
    Example("never got a configuration", "PASS", (answered(HQ, LABEL, 10.0, {"outcome": "silent"}),)),
    Example("the key is not taken", "FAIL", (_REPORTED, answered(HQ, LABEL, 10.0, {"outcome": "auth_failed"}))),
    Example("nobody answers", "FAIL", (_REPORTED, answered(HQ, LABEL, 10.0, {"outcome": "silent"}))),
    Example("the probe breaks", "INCONCLUSIVE", (_REPORTED, answered(HQ, LABEL, 10.0, None, "ValueError: no key"))),
    Example("no administration", "NOT_APPLICABLE", (), build_plan(administration=None)),
)
