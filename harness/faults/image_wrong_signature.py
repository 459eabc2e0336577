"""image_wrong_signature: the image is signed with a key that the device does not know."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import expect_refused, find_failed, has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "replace_image", by="wrong_signature"),)


def expects(plan: Plan, values: Values) -> Expectation:
    why = "Whole, and of the SHA-256 that was told, but nobody whom the device trusts has signed it: never installed."
    return expect_refused("image_wrong_signature", why)


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return find_failed(evidence, *("signature",))


FAULT = Fault(
    name="image_wrong_signature",
    order=520,
    family="firmware",
    title="image signed with another key",
    cause="A build for trial was entered for the branch, or the signing key was changed before devices knew.",
    strikes="upgraded",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_upgrade,
)
