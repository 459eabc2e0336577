"""wrong_psk: the gateway at HQ has another pre-shared key for this branch than the device."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import CLIENT_S, LONGEST_PAUSE_S, has_psk


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("hq-gateway", "change_psk"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="tunnel_up",
        serves=False,
        back_within_s=LONGEST_PAUSE_S + CLIENT_S,
        causes=("wrong_psk",),
        why="The gateway says AUTHENTICATION_FAILED (RFC 7296 section 2.21.2); the device tries again, more slowly.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("hq-gateway", "sa.refused", reason="wrong_psk")


FAULT = Fault(
    name="wrong_psk",
    order=701,
    family="tunnel and HQ",
    title="wrong pre-shared key",
    cause="A key that was copied with a letter too few, of another site, or changed at one end only.",
    strikes="tunnel_up",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=has_psk,
)
