"""gateway_restarts: the gateway at HQ goes down and comes up again while the branch is in service."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import LONGEST_GAP_S, detects_dead_peer_s

SERVICE_S = 10.0
"""A new SA, a client's next look, a heartbeat: our choice, seconds."""


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("hq-gateway", "restart", way=values["way"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    found_s = detects_dead_peer_s(plan) if values["way"] == "abrupt" else LONGEST_GAP_S
    return Expectation(
        stage=None,
        serves=None,
        back_within_s=found_s + SERVICE_S,
        causes=("gateway_restarts",),
        why=(
            "Told by a DELETE (RFC 7296 section 1.4.1) the device asks anew at once and until it is answered. A gateway"
            " that lost its power tells nobody: its silence must be found (section 2.4)."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    started = evidence.find_all("hq-gateway", "ike.started")
    return evidence.find_last("router", "tunnel.down") if len(started) > 1 else None


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["dark_s"])


FAULT = Fault(
    name="gateway_restarts",
    order=721,
    family="tunnel and HQ",
    title="gateway restarts",
    cause="An update at night, or a power cut at HQ.",
    strikes="service",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(
        Parameter("way", "`orderly` or `abrupt`", "abrupt", ("orderly",)),
        Parameter("dark_s", "s", 5.0, (1.0, 25.0)),
    ),
    onset=IN_SERVICE,
    lasts_s=lasts_s,
)
