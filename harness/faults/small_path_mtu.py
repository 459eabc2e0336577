"""small_path_mtu: beyond the bearer larger packets vanish, and nobody is told."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import is_cellular_first

GRAIN_BYTES = 8  # how near the device's search comes to what the path carries


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "narrow_path", mtu_bytes=values["mtu_bytes"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="hq_reached",
        serves=True,
        back_within_s=60.0,
        causes=("small_path_mtu",),
        why=(
            "The device finds out what the path carries (RFC 4821) and lets TCP and tunnel send no larger packets, so "
            "that the branch serves. The proof fails all the same: the largest packet to HQ is smaller than the bearer "
            "that was ordered gives. First expected to stop at checked_in, where the server's certificates vanish; but "
            "a good device need not let that happen."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    narrowed = evidence.find_all("router", "path.narrowed", uplink="cellular")
    most = float(values["mtu_bytes"])
    return next((s for s in narrowed if most - GRAIN_BYTES <= s.data["mtu"] <= most), None)


def why_not(plan: Plan, values: Values) -> str | None:
    if plan.records.carrier.mtu <= float(values["mtu_bytes"]):
        return f"the bearer's own MTU is {plan.records.carrier.mtu}: larger packets never come so far"
    return is_cellular_first(plan, values)


FAULT = Fault(
    name="small_path_mtu",
    order=220,
    family="carrier path",
    title="small path MTU",
    cause="A tunnel in the carrier's network leaves less room than the bearer says, and ICMP is filtered (RFC 2923).",
    strikes="checked_in",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("mtu_bytes", "bytes", 1358.0, (1280.0, 1400.0)),),
    why_not=why_not,
)
