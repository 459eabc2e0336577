"""What the faults of configuration share. Layer: faults, pure."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Values, impair
from harness.core.model import Plan

AFTER_ROLL_BACK_S = 20.0
"""Time for a branch that rolled back to be in service again before it is looked at: a tunnel and a heartbeat."""


def serve_changed(change: str) -> tuple[Doing, ...]:
    """Return: management serves the branch's document with a change made to it."""
    return (impair("management", "serve_changed", change=change),)


def find_error_report(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """Return the report by which a device says that it does not take its configuration (RFC 8572 section 7.3)."""
    return evidence.find_last("management", "report.received", progress_type="config-error")


def find_roll_back(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """Return what the device says when it goes back to its last good configuration."""
    return evidence.find_last("router", "config.rolled_back")


def last_through_roll_back(plan: Plan, values: Values) -> float:
    """Return how long the document must be served for the device to give it up and to be back."""
    return plan.branch.confirm_s + AFTER_ROLL_BACK_S
