"""What several faults of the carrier's path ask of a plan. Layer: faults, pure."""

from __future__ import annotations

from harness.core.faults import Values
from harness.core.model import Plan
from harness.faults._shared import is_cellular_first

ESM_AUTHENTICATION = 29  # User authentication failed: TS 24.301 Annex B


def find_names(plan: Plan, *, with_auth: bool) -> list[str]:
    """Return the APNs that staging puts into the device with, or without, credentials."""
    return [apn.name for sim in plan.branch.sims for apn in sim.apns if (apn.auth is not None) is with_auth]


def asks_carrier(plan: Plan, values: Values) -> str | None:
    """Return why a fault of the carrier's resolver cannot stop the bring-up, or None."""
    if plan.branch.name_servers:
        return "the profile names resolvers of its own: the carrier's is not asked"
    return is_cellular_first(plan, values)
