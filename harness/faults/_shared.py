"""What several faults ask of a plan. Layer: faults, pure."""

from __future__ import annotations

from harness.core.faults import Values
from harness.core.model import Plan


def is_cellular_first(plan: Plan, values: Values) -> str | None:
    """Return why a fault of the cellular path cannot stop the bring-up: another uplink comes first."""
    return (
        None
        if plan.branch.uplinks[0] == "cellular"
        else "cellular is not the first uplink: the branch comes up without"
    )


def has_cellular(plan: Plan, values: Values) -> str | None:
    """Return why a fault of the cellular path cannot befall the branch: it has none."""
    return None if "cellular" in plan.branch.uplinks else "the branch has no cellular uplink"


def has_ethernet(plan: Plan, values: Values) -> str | None:
    """Return why a fault of the fixed line cannot befall the branch: it has none."""
    return None if "ethernet" in plan.branch.uplinks else "the branch has no fixed line"
