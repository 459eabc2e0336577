"""device_not_in_inventory: management was never told of the device."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._management import find_refused, stop_at


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "forget_devices"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return stop_at(
        "checked_in",
        "device_not_in_inventory",
        "Who is not known is told nothing (RFC 8040 section 7: 404, invalid-value). The device asks again: once it is "
        "entered, it comes up without anybody at the site.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_refused(evidence, "no bootstrapping data for device")


FAULT = Fault(
    name="device_not_in_inventory",
    order=440,
    family="management",
    title="device not in the inventory",
    cause="Nobody entered the device, or somebody mistyped its serial number.",
    strikes="checked_in",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
)
