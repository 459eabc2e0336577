"""weak_signal: the cell is heard, but hardly."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen, as_number
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular

# What a cell gives at its edge. Common practice, no source: poor below -115 dBm, 2 Mbit/s down, 40 ms each way.
POOR_RSRP_DBM = -115.0
RSRQ_DB, SINR_DB = -17.0, -1.0
DOWN_BPS, UP_BPS, DELAY_MS, JITTER_MS, LOSS_PCT = 2_000_000, 500_000, 40.0, 10.0, 0.5


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    figures = {"rsrp_dbm": -float(values["minus_rsrp_dbm"]), "rsrq_db": RSRQ_DB, "sinr_db": SINR_DB}
    link = {"down_bps": DOWN_BPS, "up_bps": UP_BPS, "delay_ms": DELAY_MS, "jitter_ms": JITTER_MS, "loss_pct": LOSS_PCT}
    return (impair("carrier", "weaken", **figures, **link),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("weak_signal",),
        why="Slow, but service: a profile for a branch must do with what there is at the edge of a cell. It is named "
        "all the same, since rain or a full cell is enough to end it. First tried with 60 ms each way, where one echo "
        "in ten came later than the demo's acceptance allows, by chance: that is slow_path, not this.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    measured = evidence.find_all("router", "signal.measured")
    return next((s for s in measured if (as_number(s.data.get("rsrp_dbm")) or 0.0) < POOR_RSRP_DBM), None)


def why_not(plan: Plan, values: Values) -> str | None:
    own_dbm = plan.records.carrier.rsrp_dbm
    if own_dbm < POOR_RSRP_DBM:
        return f"the site's own signal is as weak: {own_dbm:g} dBm"
    return has_cellular(plan, values)


FAULT = Fault(
    name="weak_signal",
    order=109,
    family="SIM and radio",
    title="weak signal",
    cause="An antenna indoors, behind foil glass, at the end of too long a cable, or at the edge of the cell.",
    strikes="service",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("minus_rsrp_dbm", "dBm, negative", 119.0, (117.0, 124.0)),),
    why_not=why_not,
)
