"""power_cut_in_first_boot: power goes in the first boot of the new release."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Onset, Parameter, Values, cut_power
from harness.core.model import Plan
from harness.faults._firmware import BRIEF_BACK_S, find_power, has_upgrade


def find_trial(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "slot.started", trial=True)


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (cut_power(),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=None,
        back_within_s=BRIEF_BACK_S,
        causes=("power_cut_in_first_boot",),
        why="A cut costs the new release one of its two starts on trial: it starts again, and confirms itself.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """The start after the cut, where the release had not confirmed itself before it."""
    trial = find_trial(plan, values, evidence)
    again = find_power(evidence, trial) if trial else None
    confirmed = evidence.find_first("router", "slot.confirmed")
    return again if again and (confirmed is None or confirmed.at_ns > again.at_ns) else None


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["dark_s"])


FAULT = Fault(
    name="power_cut_in_first_boot",
    order=547,
    family="firmware",
    title="power cut in first boot",
    cause="Whoever put the device up took its lights going out for a failure, and pulled the plug.",
    strikes="upgraded",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("dark_s", "s", 2.0, (0.5, 10.0)),),
    onset=Onset("checked_in", find_trial),
    lasts_s=lasts_s,
    why_not=has_upgrade,
)
