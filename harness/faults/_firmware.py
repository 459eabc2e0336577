"""What the faults of a release's image share. Layer: faults, pure.

All of them set in before power, and all but the interrupted ones last until the bring-up is judged. What stops there is
a device on its old release: it has no configuration, so no heartbeat and no way to HQ; it goes on asking.
"""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Expectation, Values
from harness.core.model import Plan
from harness.stages._shared import is_upgrade

STAGE = "upgraded"
BACK_S = 110.0
"""The device's longest pause between two rounds of bootstrap (60 s), and a whole bring-up from there."""
BRIEF_BACK_S = 75.0
"""A boot of the old release, image and reboot, and the rest of a bring-up; twice what an idle bench needs."""


def has_upgrade(plan: Plan, values: Values) -> str | None:
    """Return why no image can be wrong: the device leaves the factory with the branch's release."""
    return None if is_upgrade(plan) else "the factory release is the branch's release: no image is fetched"


def expect_refused(cause: str, why: str) -> Expectation:
    """An image that must not be started: the old release goes on, and asks again."""
    return Expectation(stage=STAGE, serves=False, back_within_s=BACK_S, causes=(cause,), why=why)


def find_failed(evidence: Evidence, *reasons: str) -> Seen | None:
    """Return what the device said of an image that it could not use, for one of the reasons."""
    return next((s for s in evidence.find_all("router", "image.failed") if s.data.get("reason") in reasons), None)


def find_power(evidence: Evidence, after: Seen) -> Seen | None:
    """Return the first start with power after something."""
    starts = evidence.find_all("router", "boot.started", cause="power")
    return next((s for s in starts if s.at_ns > after.at_ns), None)
