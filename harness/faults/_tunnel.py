"""What several faults of the tunnel have in common: where they act, what shows them. Layer: faults, pure."""

from __future__ import annotations

from harness.core.faults import Values
from harness.core.model import Plan

GIVES_UP_S = 21.9
"""When the device gives up a request that nobody answers: RFC 7296 section 2.4 leaves it to the sender, if the pauses
grow (emulators/common/swanctl.py has the sums)."""
LONGEST_GAP_S = 9.7
"""The longest that the device lets a gateway wait that answers nothing: from the last repetition until it gives up
(7.7 s), and until it looks again (2 s)."""
LONGEST_PAUSE_S = 15.0
"""Between two tries that were refused; common practice for a device that must come back by itself."""
CLIENT_S = 25.0
"""A client's way back in: three looks in vain, then a new admission and a new lease, and a heartbeat. Our choice."""
NEW_GATEWAY, OTHER_BRANCH = "198.18.0.31/24", "198.18.0.32/24"
"""Addresses of the internet's link (RFC 2544 block) that nobody has."""


def find_path_node(plan: Plan) -> str:
    """Return the stand-in through which the first uplink's packets to headquarters go."""
    return "carrier" if plan.branch.uplinks[0] == "cellular" else "internet"


def has_psk(plan: Plan, values: Values) -> str | None:
    """Return why a wrong pre-shared key cannot befall the branch: its tunnel has none."""
    return None if plan.branch.tunnel.method == "psk" else "the tunnel goes by certificates"


def has_certificates(plan: Plan, values: Values) -> str | None:
    """Return why a certificate of the tunnel cannot befall the branch: its tunnel has none."""
    return None if plan.branch.tunnel.method == "certificate" else "the tunnel goes by a pre-shared key"


def detects_dead_peer_s(plan: Plan) -> float:
    """Return how long the device may take to find that the gateway forgot it: RFC 7296 section 2.4, liveness."""
    return plan.branch.tunnel.dpd_s + GIVES_UP_S
