"""slow_download: the image comes more slowly than the bring-up can wait."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import STAGE, has_upgrade


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "slow_transfers", rate_bps=values["rate_bps"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=STAGE,
        serves=False,
        back_within_s=60.0,
        causes=("slow_download",),
        why="An image of 4 MiB takes 168 s at 200 kbit/s, its stage has a minute. The device does right and goes on: "
        "once the line is free it has the rest at once, of what it began.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "image.progressed")


def is_too_fast(plan: Plan, values: Values) -> str | None:
    """Return why the rate harms nobody here: the image comes in time."""
    takes_s = plan.hardware.image_bytes * 8 / float(values["rate_bps"])
    in_time = takes_s <= plan.branch.acceptance.budgets_s[STAGE]
    return f"the image comes in time: {takes_s:.0f} s" if in_time else has_upgrade(plan, values)


FAULT = Fault(
    name="slow_download",
    order=540,
    family="firmware",
    title="slow download",
    cause="A crowded line before the store, or a store that many devices ask at once.",
    strikes="upgraded",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("rate_bps", "bit/s", 200_000.0, (50_000.0, 400_000.0)),),
    why_not=is_too_fast,
)
