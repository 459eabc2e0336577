"""image_missing: the firmware store has no file under the name that devices are told."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import expect_refused, has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "lose_image"),)


def expects(plan: Plan, values: Values) -> Expectation:
    why = "Nothing to install: the old release goes on, says boot-image-error (RFC 8572 section 5.6) and asks again."
    return expect_refused("image_missing", why)


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("management", "image.served", status=404)


FAULT = Fault(
    name="image_missing",
    order=500,
    family="firmware",
    title="image missing",
    cause="The release was entered for the branch before its file was in the store, or under another name.",
    strikes="upgraded",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_upgrade,
)
