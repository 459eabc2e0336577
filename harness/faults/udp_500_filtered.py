"""udp_500_filtered: somebody on the path lets no UDP packet to or from port 500 pass."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import find_path_node

PORT = 500  # RFC 7296 section 2


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair(find_path_node(plan), "drop_udp", port=PORT),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=20.0,
        causes=("udp_500_filtered",),
        why=(
            "An initiator may begin on port 4500 (RFC 7296 section 2.23): where nothing answers on 500 a good one does."
            " First expected a stop at tunnel_up; but the device was made to try."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "tunnel.failed", reason="no_answer", exchange="IKE_SA_INIT", port=PORT)


FAULT = Fault(
    name="udp_500_filtered",
    order=710,
    family="tunnel and HQ",
    title="UDP 500 filtered",
    cause="A provider or a landlord's firewall that knows one of IKE's two ports only.",
    strikes="tunnel_up",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
)
