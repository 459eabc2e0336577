"""segments_reach_hq: a segment's clients open a connection to HQ if, and only if, the profile lets them.

Not here: what segments may open of each other and of the internet.
"""

from __future__ import annotations

from harness.checks._shared import ask_after_lease, list_clients
from harness.core.entries import Check, Evidence, Example, find_broken, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered
from harness.stages._shared import LEASE_TIMEOUT_S, label_lease

NAME = "segments_reach_hq"
HQ_PORT = 80  # the endpoint's web server
TRY_S = 3.0


def why_not(plan: Plan) -> str | None:
    return None if list_clients(plan) else "no segment has a port with a client on it"


def _label(client: str) -> str:
    return f"{NAME}.{client}"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    args = {"target": plan.branch.acceptance.ping_target, "port": HQ_PORT, "timeout_s": TRY_S}
    due: list[Ask] = []
    for client, _ in list_clients(plan):
        due += ask_after_lease(evidence, client, [Ask(client, "open_tcp", args, _label(client))])
    return tuple(due)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    found: list[Finding] = []
    for client, segment in list_clients(plan):
        may = segment.may_reach("hq")
        claim = f"segment {segment.name} {'reaches' if may else 'does not reach'} HQ"
        expected = "open" if may else "refused or silent"
        lease = evidence.find_answer(label_lease(client))
        if lease is None or not lease.ok:
            found.append(leave_open(NAME, claim, expected, "nothing: the client has no lease to try with", [lease]))
            continue
        broken = find_broken(evidence, NAME, claim, expected, _label(client))
        answer = evidence.find_answer(_label(client))
        if broken is not None or answer is None:
            found += [broken] if broken else []
            continue
        outcome = answer.get("outcome")
        holds = outcome == "open" if may else outcome in ("refused", "silent")
        found.append(hold(NAME, holds, claim, expected, f"{outcome}", [answer]))
    return tuple(found)


CHECK = Check(
    name=NAME,
    order=20,
    title="Segments reach HQ as the profile says",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + TRY_S + 10.0,
)


def _tries(staff: str, guest: str) -> tuple[Observation, ...]:
    leased = [answered(c, label_lease(c), 1.0, {"address": "10.0.0.1"}) for c in ("client1", "client2")]
    return (
        *leased,
        answered("client1", _label("client1"), 2.0, {"outcome": staff, "detail": None}),
        answered("client2", _label("client2"), 5.0, {"outcome": guest, "detail": None}),
    )


EXAMPLES = (
    Example("staff may, guests may not", "PASS", _tries("open", "silent")),
    Example("guests get a reset", "PASS", _tries("open", "refused")),
    Example("guests reach HQ", "FAIL", _tries("open", "open")),
    Example("staff do not reach HQ", "FAIL", _tries("silent", "silent")),
    Example(
        "guests have no lease",
        "INCONCLUSIVE",
        (
            *_tries("open", "silent")[:1],
            _tries("open", "silent")[2],
            answered("client2", "lease.client2", 2.0, None, "LeaseError: x"),
        ),
    ),
)
