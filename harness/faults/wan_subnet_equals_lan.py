"""wan_subnet_equals_lan: the provider hands out an address of a network that the branch uses itself."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Interface

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.core.sections import Segment


def choose_segment(plan: Plan, values: Values) -> Segment:
    """Return the segment of the branch whose network the provider uses, too."""
    segments = plan.branch.segments
    return segments[0] if values["segment"] == "first" else segments[-1]


def find_address(segment: Segment) -> IPv4Address:
    """Return the last address of a segment's network that a host may have."""
    return IPv4Interface(segment.address).network.broadcast_address - 1


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    segment = choose_segment(plan, values)
    if plan.branch.uplinks[0] == "ethernet":
        return (impair("internet", "lease_from", network=str(IPv4Interface(segment.address).network)),)
    return (impair("carrier", "assign", address=str(find_address(segment))),)


def expects(plan: Plan, values: Values) -> Expectation:
    causes = ("wan_subnet_equals_lan",)
    if len(plan.branch.uplinks) > 1:
        return Expectation(
            stage="wan_obtained",
            serves=True,
            back_within_s=60.0,
            causes=causes,
            why=(
                "The address is none of those that the line should have, so the proof fails. Once the device knows the "
                "branch's networks it uses the other uplink: routing cannot tell two such networks apart."
            ),
        )
    return Expectation(
        stage="online",
        serves=False,
        back_within_s=120.0,
        causes=causes,
        why=(
            "The address is none of the carrier's pool, so the proof fails. The device refuses to run a configuration "
            "over an uplink that lies in the branch's own networks, says so to management, and takes it as soon as it "
            "has another address: its own guard against leaks would stop the half of its traffic, and routing the rest."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    if len(plan.branch.uplinks) > 1:
        return evidence.find_first("router", "uplink.refused", uplink=plan.branch.uplinks[0])
    return evidence.find_first("router", "config.refused", section="uplinks")


FAULT = Fault(
    name="wan_subnet_equals_lan",
    order=246,
    family="carrier path",
    title="provider uses the branch's own network",
    cause="The provider's addresses are private ones (RFC 1918), and the branch's plan has the same.",
    strikes="configured",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("segment", "which network of the branch: first or last", "first", ("last",)),),
)
