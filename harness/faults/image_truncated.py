"""image_truncated: the file in the firmware store broke off."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import expect_refused, find_failed, has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "truncate_image", kept_pct=values["kept_pct"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    why = "Its SHA-256 is not the one that was told (RFC 8572 section 6.3, image-verification): it is never installed."
    return expect_refused("image_truncated", why)


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_failed(evidence, "truncated")


FAULT = Fault(
    name="image_truncated",
    order=510,
    family="firmware",
    title="image truncated",
    cause="The copy into the store broke off: a full disk, or a transfer that nobody looked at.",
    strikes="upgraded",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("kept_pct", "%", 60.0, (5.0, 99.0)),),
    why_not=has_upgrade,
)
