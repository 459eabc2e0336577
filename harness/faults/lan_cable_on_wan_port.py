"""lan_cable_on_wan_port: the cable of the WAN port ends in one of the branch's own LAN sockets."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values
from harness.core.model import Plan, Plug
from harness.faults._shared import has_ethernet
from harness.stages._shared import CLIENTS

WAN = "fixed"


def find_socket(plan: Plan) -> int | None:
    """Return a LAN port where anybody may come in, or None: the last, where a cable is put that has no other place."""
    ports = [p for s in plan.branch.segments if s.admission.method == "open" for p in s.ports if 1 <= p <= CLIENTS]
    return ports[-1] if ports else None


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (Doing((Plug(WAN, f"lan{find_socket(plan)}"),), (Plug(WAN, WAN),)),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=60.0,
        causes=("lan_cable_on_wan_port",),
        why="A cable that is pulled is a lost carrier: the mobile network is used at once. What the device is then "
        "offered there is its own lease, of a network of the branch's own: it is refused, and asked for anew when "
        "the cable moves again (RFC 2131 section 3.7).",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_last("router", "uplink.down", uplink="ethernet", reason="no carrier")


def why_not(plan: Plan, values: Values) -> str | None:
    if (reason := has_ethernet(plan, values)) is not None:
        return reason
    if find_socket(plan) is None:
        return "every LAN port asks who comes in: such a cable leads nowhere"
    return None if "cellular" in plan.branch.uplinks else "the branch has no second way out"


FAULT = Fault(
    name="lan_cable_on_wan_port",
    order=810,
    family="site",
    title="WAN port patched into the branch's own LAN",
    cause="Somebody tidied the cupboard, and plugged the cable into the wrong row.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    onset=IN_SERVICE,
    why_not=why_not,
)
