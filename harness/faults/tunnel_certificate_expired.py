"""tunnel_certificate_expired: one end's certificate for the tunnel has ended, and nobody renewed it."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import CLIENT_S, LONGEST_PAUSE_S, has_certificates

NOT_NOW = "certificate_not_valid_now"


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    if values["whose"] == "branch":
        return (impair("management", "leave_branch_certificate_expired"),)
    return (impair("hq-gateway", "present_expired_certificate"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="tunnel_up",
        serves=False,
        back_within_s=LONGEST_PAUSE_S + CLIENT_S,
        causes=("tunnel_certificate_expired",),
        why="Neither end may take a certificate out of its time (RFC 5280 section 6.1.3). A renewal is all it needs.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    if values["whose"] == "branch":
        return evidence.find_first("hq-gateway", "sa.refused", reason=NOT_NOW)
    return evidence.find_first("router", "tunnel.failed", reason=NOT_NOW)


FAULT = Fault(
    name="tunnel_certificate_expired",
    order=703,
    family="tunnel and HQ",
    title="tunnel certificate expired",
    cause="A certificate that nobody had in a calendar.",
    strikes="tunnel_up",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("whose", "end of the tunnel", "gateway", ("branch",)),),
    why_not=has_certificates,
)
