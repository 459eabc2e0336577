"""network_congested: the network is full, refuses, and says for how long."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import expect_no_cellular

EMM_CONGESTION, ESM_NO_RESOURCES = 22, 26  # TS 24.301 Annex A, Annex B


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "congest", at=values["at"], backoff_s=values["backoff_s"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return expect_no_cellular(
        plan,
        ("network_congested",),
        "The modem keeps still for as long as the network says (T3346 for attaching, T3396 for an APN: TS 24.301 "
        "clauses 5.5.1.2.5 and 6.5.1.4.2), and tries again by itself. A network that sends no timer would have it wait "
        "12 minutes after the fifth try (T3402).",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    if values["at"] == "attach":
        return evidence.find_first("carrier", "attach.refused", cause=EMM_CONGESTION)
    return evidence.find_first("carrier", "pdn.refused", cause=ESM_NO_RESOURCES)


FAULT = Fault(
    name="network_congested",
    order=107,
    family="SIM and radio",
    title="network congested",
    cause="A festival, a ferry full of telephones, or the first minutes after a power cut of a whole town.",
    strikes="wan_obtained",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(
        Parameter("at", "what is refused: attach or connection", "attach", ("connection",)),
        Parameter("backoff_s", "s", 15.0, (8.0, 30.0)),
    ),
    why_not=has_cellular,
)
