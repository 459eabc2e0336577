"""modem_hangs: the modem's firmware hangs: it answers no command, and moves no packets."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import find_since_onset


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "hang_modem"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("modem_hangs",),
        why="Three commands without an answer, and the device pulls the modem's reset line: that alone ends the cause. "
        "So the branch serves again while the bench still thinks it lasts.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return next(iter(find_since_onset(evidence, "router", "modem.reset")), None)


FAULT = Fault(
    name="modem_hangs",
    order=113,
    family="SIM and radio",
    title="modem hangs",
    cause="A modem whose firmware lost its way; common in the trade after weeks of service, no source.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    onset=IN_SERVICE,
    why_not=has_cellular,
)
