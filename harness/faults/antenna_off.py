"""antenna_off: one of the modem's two antennas is off, while the branch is in service."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen, as_list, as_number
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import has_cellular
from harness.faults._sim_and_radio import find_since_onset

UNEVEN_DB = 8.0  # between the ports; two that are well differ by a few dB. Common practice, no source


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("router", "unscrew_antenna", port=values["port"], loss_db=values["loss_db"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("antenna_off",),
        why="The other port carries the branch, with less to spare (TS 36.214 clause 5.1.1: RSRP is that of the better "
        "one, so RSRP alone hardly tells); the ports side by side tell it.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    for seen in find_since_onset(evidence, "router", "signal.measured"):
        ports = [p for p in (as_number(p) for p in as_list(seen.data.get("ports_dbm"))) if p is not None]
        if len(ports) > 1 and max(ports) - min(ports) >= UNEVEN_DB:
            return seen
    return None


FAULT = Fault(
    name="antenna_off",
    order=110,
    family="SIM and radio",
    title="antenna off",
    cause="A connector that the wind, a cleaner or a decorator worked loose.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(
        Parameter("port", "antenna port", 2.0, (1.0,)),
        Parameter("loss_db", "dB", 15.0, (10.0, 20.0)),
    ),
    onset=IN_SERVICE,
    why_not=has_cellular,
)
