"""power_cut_while_applying: the plug is pulled while the first configuration is being put in force."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Onset, Parameter, Values, cut_power
from harness.core.model import Plan


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (cut_power(),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=None,
        back_within_s=60.0,
        causes=("power_cut_while_applying",),
        why="Nothing counts as done before management heard of it: with no good configuration on its flash the device "
        "begins bootstrap anew (RFC 8572 section 5.1), with the release that it has by now.",
    )


def find_begun(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """Return the report by which the device says that it begins to apply (RFC 8572 section 7.3)."""
    return evidence.find_first("management", "report.received", progress_type="config-initiated")


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """Return the boot after the cut, where nothing was applied between the report and the cut."""
    begun = find_begun(plan, values, evidence)
    boots = evidence.find_all("router", "boot.started", cause="power")
    after = next((s for s in boots if begun is not None and s.at_ns > begun.at_ns), None)
    applied = evidence.find_first("router", "config.applied")
    return after if after is not None and (applied is None or applied.at_ns > after.at_ns) else None


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["dark_s"])


FAULT = Fault(
    name="power_cut_while_applying",
    order=620,
    family="configuration",
    title="power cut while a configuration is applied",
    cause="The installer moves the plug while the device is still at work.",
    strikes="configured",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("dark_s", "s", 2.0, (0.5, 10.0)),),
    onset=Onset("upgraded", find_begun),
    lasts_s=lasts_s,
)
