"""clock_in_1970: the device's clock shows 1970 when power comes on."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan

EARLY_S = 1.2e9
"""Early in 2008: before the build of any firmware there is here."""


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "show_time", shows=f"{values['shows']}T00:00:00+00:00"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("clock_in_1970",),
        why=(
            "The device asks for the time before it judges any certificate (RFC 5280 section 6.1.3 (a)(2)), and NTP's "
            "seconds reach over that gap (RFC 5905 section 6). Nothing is the matter afterwards, but who reads the log "
            "learns that the clock keeps no time."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return next((s for s in evidence.find_all("router", "clock.set") if shown_before(s) < EARLY_S), None)


def shown_before(step: Seen) -> float:
    """Return what the clock showed before it was set, seconds since 1970."""
    return step.observation.wall_ns / 1e9 - float(step.data["offset_s"])


FAULT = Fault(
    name="clock_in_1970",
    order=300,
    family="time and trust",
    title="clock in 1970",
    cause="The clock's battery is empty, or there is none: it begins at the chip's own epoch.",
    strikes="online",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("shows", "date", "1970-01-01", ("2000-01-01", "1980-01-06")),),
)
