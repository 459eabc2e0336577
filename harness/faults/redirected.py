"""redirected: the server sends the device on to another."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._management import stop_at

GIVEN = "given"


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "redirect", anchor=values["anchor"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    if values["anchor"] != GIVEN:
        return stop_at(
            "checked_in",
            "redirected_without_anchor",
            "A server of which no trust anchor was told is not trusted (RFC 8572 section 5.3): it is told nothing, and "
            "nothing unsigned is taken from it. The device stays safe, and asks the first server again.",
        )
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=(),
        why=(
            "The device trusts the second server by the anchor that the first, trusted, one gave it (RFC 8572 section "
            "5.5), and comes up through it. Nothing is wrong."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "bootstrap.progressed", step="redirected")


FAULT = Fault(
    name="redirected",
    order=470,
    family="management",
    title="redirected to another server",
    cause="Management moved: the old server sends devices on to the new one.",
    strikes="checked_in",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("anchor", "the second server's trust anchor", GIVEN, ("left_out",)),),
)
