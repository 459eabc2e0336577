"""power_cut_while_writing: power goes while the image is being written to its slot."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Onset, Parameter, Values, cut_power
from harness.core.model import Plan
from harness.faults._firmware import BRIEF_BACK_S, find_power, has_upgrade


def find_erased(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "slot.erased")


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (cut_power(),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=None,
        back_within_s=BRIEF_BACK_S,
        causes=("power_cut_while_writing",),
        why="The slot that runs is never written: the old release starts again, and fetches and writes the image anew.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """The start after the cut, where the write had not ended before it."""
    erased = find_erased(plan, values, evidence)
    again = find_power(evidence, erased) if erased else None
    written = evidence.find_first("router", "slot.written")
    return again if again and (written is None or written.at_ns > again.at_ns) else None


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["dark_s"])


FAULT = Fault(
    name="power_cut_while_writing",
    order=545,
    family="firmware",
    title="power cut while writing",
    cause="Whoever put the device up moved its plug while it was at work.",
    strikes="upgraded",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("dark_s", "s", 2.0, (0.5, 10.0)),),
    onset=Onset("checked_in", find_erased),
    lasts_s=lasts_s,
    why_not=has_upgrade,
)
