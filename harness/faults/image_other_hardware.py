"""image_other_hardware: the image is for another hardware class."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import expect_refused, find_failed, has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "replace_image", by="other_hardware"),)


def expects(plan: Plan, values: Values) -> Expectation:
    why = "Whole and rightly signed, but its signed header names another class: never installed."
    return expect_refused("image_other_hardware", why)


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_failed(evidence, *("hardware",))


FAULT = Fault(
    name="image_other_hardware",
    order=525,
    family="firmware",
    title="image for other hardware",
    cause="The branch got another model than the one that its release was chosen for.",
    strikes="upgraded",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_upgrade,
)
