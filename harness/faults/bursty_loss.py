"""bursty_loss: for a while the radio link loses packets in bursts."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Onset, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import is_cellular_first
from harness.stages._shared import is_upgrade

LASTS_S = 3.0  # over long before the measurements of the last stage: whether ten echoes meet a burst is chance
LEAST_RETRANSMITTED = 10  # a full queue alone costs a download three or so; these bursts, dozens


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    figures = {"loss_pct": values["loss_pct"], "burst_packets": values["burst_packets"]}
    return (impair("carrier", "lose_in_bursts", **figures),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=None,
        back_within_s=120.0,
        causes=("bursty_loss",),
        why=(
            "TCP sends again what is lost, so the download takes longer and the branch comes up. First meant to last "
            "for all of the bring-up: but whether one echo of ten is lost, or two, at the end of it is chance, and no "
            "expectation; so it is there while the release is fetched, and gone before. Set in at the "
            "check-in at first, where heavy loss kept the device busy until the bursts were over."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    served = evidence.find_all("management", "image.served")
    return next((s for s in served if (s.data.get("retransmitted") or 0) >= LEAST_RETRANSMITTED), None)


def why_not(plan: Plan, values: Values) -> str | None:
    if not is_upgrade(plan):
        return "the device has the release already: nothing large is fetched"
    return is_cellular_first(plan, values)


def find_fetch(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """Return the device's report that it is about to fetch another release (RFC 8572 section 7.3)."""
    return evidence.find_first("management", "report.received", progress_type="boot-image-mismatch")


def lasts_s(plan: Plan, values: Values) -> float:
    return LASTS_S


FAULT = Fault(
    name="bursty_loss",
    order=244,
    family="carrier path",
    title="bursty loss",
    cause="At the edge of the cell, or with ferries passing between mast and antenna, packets are lost in bursts.",
    strikes="upgraded",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("loss_pct", "%", 5.0, (3.0, 10.0)), Parameter("burst_packets", "packets", 4.0, (2.0, 8.0))),
    onset=Onset("checked_in", find_fetch),
    lasts_s=lasts_s,
    why_not=why_not,
)
