"""What the checks of log-ins share: whom they ask, and as whom. Layer: checks, pure."""

from __future__ import annotations

from typing import Any

from harness.checks._shared import find_address_for_hq
from harness.core.model import Plan
from harness.core.references import OPERATOR_KEY, OPERATOR_PASSWORD, to_reference
from harness.core.sections import Administration

TRY_S = 8.0
"""A timeout of one step of a trial: many round trips of the slowest link that a site may have."""


def find_reason(plan: Plan) -> str | None:
    """Return why log-ins cannot be tried from headquarters, or None."""
    administration = plan.branch.administration
    if administration is None:
        return "the profile sets no administration"
    if "hq" not in administration.reach_from:
        return "the profile does not open administration to HQ"
    return None if find_address_for_hq(plan) else "no segment of the branch lies in the tunnel's selectors"


def get_administration(plan: Plan) -> Administration:
    """Return the plan's administration. Raises: ValueError where `find_reason` has one."""
    if plan.branch.administration is None:
        raise ValueError("expected an administration in the plan, saw none")
    return plan.branch.administration


def build_account(plan: Plan) -> dict[str, Any]:
    """Return the arguments of a trial that say where to log in, and as whom."""
    administration = get_administration(plan)
    secrets = {"key": ("key_pem", OPERATOR_KEY), "password": ("password", OPERATOR_PASSWORD)}
    known = {secrets[method][0]: to_reference(secrets[method][1]) for method in administration.methods}
    return {"target": find_address_for_hq(plan), "user": administration.user, "timeout_s": TRY_S, **known}
