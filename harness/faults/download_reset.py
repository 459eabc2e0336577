"""download_reset: something on the way breaks off every long transfer."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "reset_transfers", at_pct=values["at_pct"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("download_reset",),
        why="The device asks for what is missing (RFC 9110 section 14.2; If-Range, 13.1.5) and joins the parts.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("management", "image.served", status=206)


FAULT = Fault(
    name="download_reset",
    order=535,
    family="firmware",
    title="download broken off",
    cause="A middle box, or a server, that allows no transfer more than so many bytes.",
    strikes="upgraded",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("at_pct", "%", 60.0, (10.0, 95.0)),),
    why_not=has_upgrade,
)
