"""slow_path: the way to everything takes long, as over a satellite."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import is_cellular_first
from harness.stages._hq_measures import PING, read_round_trips

LEAST_SHARE = 0.9  # a site's own jitter makes some echoes a little faster


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "delay", rtt_ms=values["rtt_ms"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="hq_reached",
        serves=True,
        back_within_s=30.0,
        causes=("slow_path",),
        why=(
            "All timers are longer than the round trip (TCP's first is 1 s: RFC 6298 section 2.1), so the branch comes "
            "up and serves; but its echoes take longer than the profile accepts."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    answer = evidence.find_answer(PING)
    if answer is None or not answer.ok:
        return None
    rtts = read_round_trips(answer)
    return answer.seen if rtts and min(rtts) >= LEAST_SHARE * float(values["rtt_ms"]) else None


def why_not(plan: Plan, values: Values) -> str | None:
    if plan.branch.acceptance.ping_rtt_ms >= float(values["rtt_ms"]):
        return f"the profile accepts {plan.branch.acceptance.ping_rtt_ms:g} ms"
    return is_cellular_first(plan, values)


FAULT = Fault(
    name="slow_path",
    order=242,
    family="carrier path",
    title="slow path",
    cause="The mast's own line goes by satellite, or roaming traffic goes home round half the world.",
    strikes="hq_reached",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("rtt_ms", "ms", 600.0, (400.0, 900.0)),),
    why_not=why_not,
)
