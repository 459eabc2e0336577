"""What the faults of an APN's user and password share. Layer: faults, pure."""

from __future__ import annotations

from collections.abc import Callable

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Met, Parameter, Values
from harness.core.model import Plan
from harness.faults._carrier_path import ESM_AUTHENTICATION, find_names
from harness.faults._shared import is_cellular_first


def build_refusal(
    *, name: str, order: int, title: str, cause: str, met: Met, why: str, parameter: Parameter,
    with_auth: bool, doing: Callable[[Plan, Values], Doing], none: str,
) -> Fault:  # fmt: skip
    """Return the fault of an APN that is refused for its authentication. It befalls the APNs that staging puts into the
    device with credentials, or those without; `none`: why it cannot, where there is not one of them."""

    def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
        names = find_names(plan, with_auth=with_auth)
        found = evidence.find_all("carrier", "pdn.refused", cause=ESM_AUTHENTICATION)
        return next((s for s in found if s.data.get("apn") in names), None)

    return Fault(
        name=name,
        order=order,
        family="carrier path",
        title=title,
        cause=cause,
        strikes="wan_obtained",
        met=met,
        doings=lambda plan, values: (doing(plan, values),),
        expects=lambda plan, values: Expectation("wan_obtained", False, 60.0, (name,), why),
        shows=shows,
        parameters=(parameter,),
        why_not=lambda plan, v: is_cellular_first(plan, v) if find_names(plan, with_auth=with_auth) else none,
    )
