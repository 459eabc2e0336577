"""whole_configuration: after any fault the device runs one whole configuration, its last good one or a new one.

Witnesses: management took the report bootstrap-complete, which names the document by its digest (RFC 8572 section 5.6);
what the device says it runs must be a document so reported. From outside: a client's lease is of the network that the
profile gives its segment, with the router as gateway (where nobody is asked who comes in: there it hangs on the router
alone). A device that never got a configuration runs none: that is whole, too.
"""

from __future__ import annotations

from harness.checks._shared import find_router_address
from harness.core.entries import Check, Evidence, Example, Seen, find_broken, hold
from harness.core.faults import BENCH
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.sections import Segment
from harness.stages._shared import LEASE_TIMEOUT_S, find_client, find_segment_network, is_inside

NAME = "whole_configuration"
LABEL = f"{BENCH}{NAME}"


def find_reported(evidence: Evidence) -> tuple[Seen, ...]:
    """Return the reports by which the device said that a configuration is in force, and was believed."""
    reports = evidence.find_all("management", "report.received", progress_type="bootstrap-complete", status=204)
    return tuple(s for s in reports if "sha256" in str(s.data.get("message")))


def find_open_segment(plan: Plan) -> Segment | None:
    """Return the last segment with a client that asks nobody who comes in, or None."""
    found = [s for s in plan.branch.segments if s.admission.method == "open" and find_client(s)]
    return found[-1] if found else None


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    segment = find_open_segment(plan)
    client = find_client(segment) if segment else None
    return () if client is None else (Ask(client, "lease", {"timeout_s": LEASE_TIMEOUT_S}, LABEL),)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    reported = find_reported(evidence)
    if not reported:
        applied = evidence.find_last("router", "config.applied")
        seen = "a configuration in force that management never heard of" if _runs(evidence, applied) else "none"
        claim, expected = (
            "a device that was given no configuration runs none",
            "no configuration reported, none in force",
        )
        return (hold(NAME, seen == "none", claim, expected, f"never got a configuration; {seen}", [applied]),)
    return (_judge_digest(evidence, reported), *_judge_lease(plan, evidence))


def _runs(evidence: Evidence, applied: Seen | None) -> bool:
    """Say whether what was applied last is still in force: not rolled back, nor lost with the power."""
    if applied is None:
        return False
    ends = [*evidence.find_all("router", "config.rolled_back"), *evidence.find_all("router", "boot.started")]
    return not any(end.at_ns > applied.at_ns for end in ends)


def _judge_digest(evidence: Evidence, reported: tuple[Seen, ...]) -> Finding:
    applied = [s for s in evidence.find_all("router", "config.applied") if _runs(evidence, s)]
    backs = evidence.find_all("router", "config.rolled_back")
    claim, expected = "the device runs one whole configuration", "a document that management was told is in force"
    if applied:
        digest = str(applied[-1].data.get("digest"))
        told = [s for s in reported if digest in str(s.data.get("message"))]
        seen = f"document {digest[:12]}, {'reported' if told else 'never reported'}"
        return hold(NAME, bool(told), claim, expected, seen, [applied[-1], *told[-1:]])
    back = backs[-1] if backs else None
    if back is not None and not any(s.at_ns > back.at_ns for s in evidence.find_all("router", "boot.started")):
        digest = str(back.data.get("to"))
        told = [s for s in reported if digest in str(s.data.get("message"))]
        seen = f"back to document {digest[:12]}, {'reported' if told else 'never reported'}"
        return hold(NAME, bool(told), claim, expected, seen, [back, *told[-1:]])
    return hold(NAME, False, claim, expected, "none in force since the last start", reported[-1:])


def _judge_lease(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    segment = find_open_segment(plan)
    if segment is None:
        return ()
    own, network = find_router_address(segment), find_segment_network(segment)
    claim, expected = f"{segment.name} is as the profile has it", f"a lease in {network} by {own}"
    answer = evidence.find_answer(LABEL)
    broken = find_broken(evidence, NAME, claim, expected, LABEL)
    if broken is not None or answer is None:
        return (broken,) if broken else ()
    holds = is_inside(answer.get("address"), (network,)) and answer.get("router") == own
    seen = f"{answer.get('address')} by {answer.get('router')}" if answer.ok else answer.error
    return (hold(NAME, holds, claim, expected, seen, [answer]),)


INVARIANT = Check(
    name=NAME,
    order=60,
    title="The device runs one whole configuration",
    after="hq_reached",
    why_not=lambda plan: None,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + 5.0,
    actions=act,
)

_GOOD, _NEW = "5e" * 32, "a1" * 32
_SEGMENT = find_open_segment(build_plan())
assert _SEGMENT is not None
_CLIENT = str(find_client(_SEGMENT))
_LEASE = {"address": find_segment_network(_SEGMENT).partition("/")[0], "router": find_router_address(_SEGMENT)}
_LEASED = answered(_CLIENT, LABEL, 10.0, _LEASE)
_NO_LEASE = answered(_CLIENT, LABEL, 22.0, None, "LeaseError: lan1: no DHCP lease within 20 s")
_APPLIED = saw("router/runtime", "config.applied", 2.0, digest=_GOOD, took_s=2.0)
_REPORTED = saw(
    "management", "report.received", 3.0, progress_type="bootstrap-complete", message=f"configuration sha256 {_GOOD}",
    status=204,
)  # fmt: skip


def _back(at_s: float, to: str | None) -> Observation:
    return saw("router/runtime", "config.rolled_back", at_s, digest=_NEW, to=to, reason="management was not reached")


def _newer(at_s: float) -> Observation:
    return saw("router/runtime", "config.applied", at_s, digest=_NEW, took_s=2.0)


EXAMPLES = (
    Example("the one that was reported", "PASS", (_APPLIED, _REPORTED, _LEASED)),
    Example("back to the one that was reported", "PASS", (_APPLIED, _REPORTED, _newer(5), _back(8, _GOOD), _LEASED)),
    Example("never got one", "PASS", (saw("router/loader", "boot.started", 1.0, cause="power"), _NO_LEASE)),
    Example("took back the only one it tried", "PASS", (_newer(5.0), _back(8.0, None), _NO_LEASE)),
    Example("a new one that nobody heard of", "FAIL", (_APPLIED, _REPORTED, _newer(5.0), _LEASED)),
    Example("back to one that nobody heard of", "FAIL", (_APPLIED, _REPORTED, _newer(5), _back(8, _NEW), _LEASED)),
    Example(
        "none since it started anew", "FAIL",
        (_APPLIED, _REPORTED, saw("router/loader", "boot.started", 5.0, cause="power"), _LEASED),
    ),
    Example(
        "another network on the port", "FAIL",
        (_APPLIED, _REPORTED, answered(_CLIENT, LABEL, 10.0, {"address": "192.0.2.9", "router": "192.0.2.1"})),
    ),
    Example("no lease", "FAIL", (_APPLIED, _REPORTED, _NO_LEASE)),
)  # fmt: skip
