"""wrong_credentials: the carrier has another user or password on record than staging put into the device."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._carrier_path import ESM_AUTHENTICATION, find_names
from harness.faults._shared import is_cellular_first


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "other_credentials", part=values["part"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="wan_obtained",
        serves=False,
        back_within_s=60.0,
        causes=("wrong_credentials",),
        why="The carrier refuses with ESM cause 29, and does not say whether user or password is wrong.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    names = find_names(plan, with_auth=True)
    found = evidence.find_all("carrier", "pdn.refused", cause=ESM_AUTHENTICATION)
    return next((s for s in found if s.data.get("apn") in names), None)


def why_not(plan: Plan, values: Values) -> str | None:
    if not find_names(plan, with_auth=True):
        return "no APN of the profile has credentials"
    return is_cellular_first(plan, values)


FAULT = Fault(
    name="wrong_credentials",
    order=210,
    family="carrier path",
    title="wrong credentials",
    cause="A typing error in user or password, or the carrier changed them.",
    strikes="wan_obtained",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("part", "what is wrong: user or password", "password", ("user",)),),
    why_not=why_not,
)
