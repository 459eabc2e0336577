"""What the faults of a release's image share. Layer: faults, pure.

All of them set in before power, and all but the interrupted ones last until the bring-up is judged. What stops there is
a device on its old release: it has no configuration, so no heartbeat and no way to HQ; it goes on asking.
"""

from __future__ import annotations

from typing import Any

from harness.core.entries import Evidence, Seen
from harness.core.faults import Expectation, Fault, Met, Onset, Parameter, Values, cut_power, impair
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


def build_broken_image(
    *, name: str, order: int, title: str, cause: str, met: Met, impairment: str, reason: str, parameter: Parameter
) -> Fault:
    """Return the fault of a file in the firmware store that is not the one that was built. `impairment`: management's,
    asked with the `parameter`; `reason`: the device's word for it."""
    why = "Its SHA-256 is not the one that was told (RFC 8572 section 6.3, image-verification): it is never installed."
    part = parameter.name
    return Fault(
        name=name,
        order=order,
        family="firmware",
        title=title,
        cause=cause,
        strikes=STAGE,
        met=met,
        doings=lambda plan, values: (impair("management", impairment, **{part: values[part]}),),
        expects=lambda plan, values: expect_refused(name, why),
        shows=lambda plan, values, evidence: find_failed(evidence, reason),
        parameters=(parameter,),
        why_not=has_upgrade,
    )


def build_power_cut(
    *, name: str, order: int, title: str, cause: str, why: str, begun: tuple[str, dict[str, Any]], ended: str
) -> Fault:
    """Return the fault of a power cut between two events of the router: `begun` (kind and fields), at which the power
    goes, and `ended` (kind), which is not to come before the start after the cut."""

    def find_begun(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
        return evidence.find_first("router", begun[0], **begun[1])

    def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
        """The start after the cut, where what was cut short had not ended before it."""
        first = find_begun(plan, values, evidence)
        starts = evidence.find_all("router", "boot.started", cause="power")
        again = next((s for s in starts if first and s.at_ns > first.at_ns), None)
        end = evidence.find_first("router", ended)
        return again if again and (end is None or end.at_ns > again.at_ns) else None

    return Fault(
        name=name,
        order=order,
        family="firmware",
        title=title,
        cause=cause,
        strikes=STAGE,
        met="occasional",
        doings=lambda plan, values: (cut_power(),),
        expects=lambda plan, values: Expectation(None, None, BRIEF_BACK_S, (name,), why),
        shows=shows,
        parameters=(Parameter("dark_s", "s", 2.0, (0.5, 10.0)),),
        onset=Onset("checked_in", find_begun),
        lasts_s=lambda plan, values: float(values["dark_s"]),
        why_not=has_upgrade,
    )
