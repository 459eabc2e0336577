"""power_cut_in_service: somebody pulls the plug of a branch in service, and puts it back."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Parameter, Values, cut_power
from harness.core.model import Plan


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (cut_power(),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=None,
        back_within_s=60.0,
        causes=("power_cut_in_service",),
        why="The last good configuration is on flash: the device restores it without asking anybody.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    starts = evidence.find_all("router", "boot.started", cause="power")
    return starts[-1] if len(starts) > 1 else None


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["dark_s"])


FAULT = Fault(
    name="power_cut_in_service",
    order=830,
    family="site",
    title="power cut in service",
    cause="A tripped breaker, or a plug pulled for the vacuum cleaner.",
    strikes="service",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("dark_s", "s", 2.0, (0.5, 10.0)),),
    onset=IN_SERVICE,
    lasts_s=lasts_s,
)
