"""image_corrupted: a byte of the file in the firmware store is another."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import expect_refused, find_failed, has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "corrupt_image", at_pct=values["at_pct"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    why = "Its SHA-256 is not the one that was told (RFC 8572 section 6.3, image-verification): it is never installed."
    return expect_refused("image_corrupted", why)


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_failed(evidence, "corrupted")


FAULT = Fault(
    name="image_corrupted",
    order=515,
    family="firmware",
    title="image corrupted",
    cause="A bad disk under the store, or a transfer that took the file for text.",
    strikes="upgraded",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("at_pct", "%", 75.0, (25.0, 99.0)),),
    why_not=has_upgrade,
)
