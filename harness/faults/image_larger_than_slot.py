"""image_larger_than_slot: the image is larger than the slot it is to go into."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import expect_refused, find_failed, has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "replace_image", by="too_large"),)


def expects(plan: Plan, values: Values) -> Expectation:
    why = "Its length is announced (RFC 9110 section 8.6): it is refused before a byte of it is paid for."
    return expect_refused("image_larger_than_slot", why)


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_failed(evidence, *("space", "too large"))


FAULT = Fault(
    name="image_larger_than_slot",
    order=530,
    family="firmware",
    title="image larger than its slot",
    cause="A release that grew was entered for a device with little flash.",
    strikes="upgraded",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_upgrade,
)
