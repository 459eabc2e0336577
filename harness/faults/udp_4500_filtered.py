"""udp_4500_filtered: somebody on the path lets no UDP packet to or from port 4500 pass."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import CLIENT_S, LONGEST_GAP_S, find_path_node

PORT = 4500  # RFC 7296 section 2.23


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair(find_path_node(plan), "drop_udp", port=PORT),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="tunnel_up",
        serves=False,
        back_within_s=LONGEST_GAP_S + CLIENT_S,
        causes=("udp_4500_filtered",),
        why="Behind NAT both IKE and ESP need port 4500 (RFC 7296 section 2.23, RFC 3948): there is no way round it.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "tunnel.failed", reason="no_answer", exchange="IKE_AUTH")


FAULT = Fault(
    name="udp_4500_filtered",
    order=712,
    family="tunnel and HQ",
    title="UDP 4500 filtered",
    cause="A firewall that was opened for port 500 alone.",
    strikes="tunnel_up",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
)
