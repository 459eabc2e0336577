"""apn_needs_credentials: the carrier's order asks for a user and a password, and staging put none into the device."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._carrier_path import ESM_AUTHENTICATION, find_names
from harness.faults._shared import is_cellular_first


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "demand_credentials", names=find_names(plan, with_auth=False), method=values["method"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="wan_obtained",
        serves=False,
        back_within_s=60.0,
        causes=("apn_needs_credentials",),
        why="The carrier refuses with ESM cause 29; a device cannot guess a password, and tries its list again.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    names = find_names(plan, with_auth=False)
    found = evidence.find_all("carrier", "pdn.refused", cause=ESM_AUTHENTICATION)
    return next((s for s in found if s.data.get("apn") in names), None)


def why_not(plan: Plan, values: Values) -> str | None:
    if not find_names(plan, with_auth=False):
        return "staging puts credentials with every APN of the profile"
    return is_cellular_first(plan, values)


FAULT = Fault(
    name="apn_needs_credentials",
    order=205,
    family="carrier path",
    title="APN needs credentials",
    cause="The APN of the order asks for a user and a password; staging took it for one that asks for none.",
    strikes="wan_obtained",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("method", "PAP or CHAP (TS 24.008 clause 10.5.6.3)", "chap", ("pap",)),),
    why_not=why_not,
)
