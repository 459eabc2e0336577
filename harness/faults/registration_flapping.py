"""registration_flapping: the network sends the device away again and again, and takes it back."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import find_since_onset

FLAPS, LEAST = 4, 3


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "send_away", period_s=values["period_s"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=None,
        back_within_s=30.0,
        causes=("registration_flapping",),
        why="The network wants the device back at once (re-attach required: TS 24.301 clause 5.5.2.3.2); each time the "
        "branch has an address again within a second, and its tunnel a little later.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    accepted = find_since_onset(evidence, "carrier", "attach.accepted")
    return accepted[-1] if len(accepted) >= LEAST else None


def lasts_s(plan: Plan, values: Values) -> float:
    return FLAPS * float(values["period_s"]) + 1.0


FAULT = Fault(
    name="registration_flapping",
    order=112,
    family="SIM and radio",
    title="registration flapping",
    cause="Two cells of equal strength, or a core that is being worked on.",
    strikes="service",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("period_s", "s", 7.0, (4.0, 12.0)),),
    onset=IN_SERVICE,
    lasts_s=lasts_s,
    why_not=has_cellular,
)
