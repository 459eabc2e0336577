"""first_mirror_dead: the first of the places that an image may be had from is dead."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "kill_first_mirror", how=values["how"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("first_mirror_dead",),
        why="The others are mirrors of the same file, in the order to try them (RFC 8572 section 6.3, download-uri). "
        "First expected to miss its budget where the mirror is silent, since the device tried it for 96 s; but it now "
        "turns to the next mirror where not one byte came in two tries.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    reason = "connect" if values["how"] == "refused" else "timeout"
    failed = evidence.find_all("router", "image.failed", reason=reason)
    return next((s for s in failed if str(s.data.get("uri")).startswith("https:")), None)


FAULT = Fault(
    name="first_mirror_dead",
    order=505,
    family="firmware",
    title="first mirror dead",
    cause="A server of the firmware store is down, or its address has changed.",
    strikes="upgraded",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("how", "word", "refused", ("silent",)),),
    why_not=has_upgrade,
)
