"""rogue_dhcp: somebody's box on a LAN port hands out addresses of its own, and a client asks anew."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Values, find_vain_leases, impair
from harness.core.model import Plan
from harness.core.sections import Segment
from harness.stages._shared import CLIENTS, ask_lease


def find_shared_segment(plan: Plan) -> Segment | None:
    """Return a segment with clients on two ports: elsewhere nothing of the box passes through the device at all."""
    return next((s for s in plan.branch.segments if len(_list_ports(s)) > 1), None)


def find_ports(plan: Plan) -> tuple[int, int]:
    """Return the ports of the client that asks, and of the box."""
    segment = find_shared_segment(plan)
    assert segment is not None
    ports = _list_ports(segment)
    return ports[0], ports[-1]


def _list_ports(segment: Segment) -> list[int]:
    return [port for port in segment.ports if 1 <= port <= CLIENTS]


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    """The client asks anew once the box is gone, too: what it was given by then must not outlive the fault."""
    asker, box = (f"client{port}" for port in find_ports(plan))
    plugged, ask = impair(box, "rogue_dhcp"), ask_lease(asker)
    return (Doing((*plugged.on, ask), (*plugged.off, ask)),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("rogue_dhcp",),
        why="A server's messages are dropped where they come in (common practice, as DHCP snooping; RFC 7610 for "
        "IPv6): who asks at another port gets the router's lease, and the device says at which port the box is.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """Return the device's word of the box, where after it the client at the other port got a lease. Of a device that
    lets the box win: the box's lease there, or that the client asked and got none."""
    asker, box = find_ports(plan)
    client, segment = f"client{asker}", find_shared_segment(plan)
    heard = evidence.find_first("router", "dhcp.server_refused", port=box)
    leases = evidence.find_all(client, "lease.obtained")
    if heard is not None and any(s.at_ns > heard.at_ns for s in leases):
        return heard
    router = segment.address.partition("/")[0] if segment is not None else ""
    won = [s for s in leases if s.data.get("router") != router]
    return next(reversed((*find_vain_leases(evidence, client), *won)), None)


def why_not(plan: Plan, values: Values) -> str | None:
    return None if find_shared_segment(plan) else "no segment has two ports: nothing of the box reaches another port"


FAULT = Fault(
    name="rogue_dhcp",
    order=800,
    family="site",
    title="somebody else's DHCP server",
    cause="A guest plugs a box from home into a wall socket, its LAN side first.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    onset=IN_SERVICE,
    why_not=why_not,
)
