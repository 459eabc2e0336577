"""gateway_address_changes: the gateway at HQ moves to another address, and its name follows."""

from __future__ import annotations

from ipaddress import IPv4Interface

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import NEW_GATEWAY

TTL_S = 60.0
"""How long a resolver may go by the old address: the zone's time to live (RFC 1035 section 3.2.1)."""
SERVICE_S = 15.0
"""The next try, a new SA, a client's next look, a heartbeat: our choice, seconds."""


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    address = str(IPv4Interface(NEW_GATEWAY).ip)
    return (
        impair("hq-gateway", "move", address=NEW_GATEWAY),
        impair("internet", "move_name", name=plan.branch.tunnel.gateway.lower(), address=address),
    )


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=plan.branch.tunnel.dpd_s + TTL_S + SERVICE_S,
        causes=("gateway_address_changes",),
        why="A name is asked for anew with each request that goes unanswered; resolvers may know the old for a while.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "tunnel.up", gateway=str(IPv4Interface(NEW_GATEWAY).ip))


def lasts_s(plan: Plan, values: Values) -> float:
    return plan.branch.tunnel.dpd_s + TTL_S


def why_not(plan: Plan, values: Values) -> str | None:
    is_name = not plan.branch.tunnel.gateway.replace(".", "").isdigit()
    return None if is_name else "the gateway is known by its address"


FAULT = Fault(
    name="gateway_address_changes",
    order=722,
    family="tunnel and HQ",
    title="gateway at another address",
    cause="HQ changed its line or its provider, and the name was changed with it.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    onset=IN_SERVICE,
    lasts_s=lasts_s,
    why_not=why_not,
)
