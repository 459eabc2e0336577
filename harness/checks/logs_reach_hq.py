"""logs_reach_hq: HQ's log server gets the router's messages under the branch's host name (RFC 5424 section 6.2.4)."""

from __future__ import annotations

from harness.checks._shared import HQ
from harness.core.entries import Check, Evidence, Example, Seen, hold
from harness.core.model import Ask, Finding, Plan
from harness.core.sample import build_plan, saw

NAME = "logs_reach_hq"
WAIT_S = 30.0


def why_not(plan: Plan) -> str | None:
    return None if plan.branch.logging else "the profile sets no log server"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    return ()


def find_log(plan: Plan, evidence: Evidence) -> Seen | None:
    """Return the first message under the branch's host name (or that name with a domain)."""
    wanted = plan.branch.hostname.casefold()
    for seen in evidence.find_all(HQ, "log.received"):
        name = str(seen.data.get("hostname") or "").casefold()
        if wanted in (name, name.split(".")[0]):
            return seen
    return None


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    claim, expected = "the router's log messages reach HQ", f"a message with host name {plan.branch.hostname}"
    seen = find_log(plan, evidence)
    if seen is not None:
        return (hold(NAME, True, claim, expected, f"{seen.data.get('app')}: {seen.data.get('text')}", [seen]),)
    others = evidence.find_all(HQ, "log.received")
    names = sorted({str(s.data.get("hostname")) for s in others})
    told = (
        f"only messages of {', '.join(names)}"
        if names
        else f"nothing: no message within {WAIT_S:g} s of the check's start"
    )
    return (hold(NAME, False, claim, expected, told, others),)


CHECK = Check(
    name=NAME,
    order=50,
    title="The router's log reaches HQ",
    after="tunnel_up",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=WAIT_S,
    awaits=find_log,
)

EXAMPLES = (
    Example(
        "a message comes", "PASS", (saw(HQ, "log.received", 3.0, hostname="kiosk-north", app="charon", text="up"),)
    ),
    Example(
        "under another name", "FAIL", (saw(HQ, "log.received", 3.0, hostname="localhost", app="charon", text="up"),)
    ),
    Example("none comes", "FAIL", ()),
    Example("the profile sets no log server", "NOT_APPLICABLE", (), build_plan(logging=None)),
)
