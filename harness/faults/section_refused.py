"""section_refused: a new document in service asks for what the device knows, and cannot do."""

from __future__ import annotations

from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Parameter, Values
from harness.core.model import Plan
from harness.faults._configuration import find_error_report, serve_changed


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return serve_changed(str(values["mistake"]))


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=30.0,
        causes=("section_refused",),
        why="Refused whole, with the report config-error; what ran before goes on running, and is heard: a device that "
        "only asked for its document again, over and over, would be out of sight with a branch that works.",
    )


def why_not(plan: Plan, values: Values) -> str | None:
    if values["mistake"] == "overcommitted_qos" and plan.branch.qos is None:
        return "the branch guarantees no class of traffic a rate"
    return None


FAULT = Fault(
    name="section_refused",
    order=605,
    family="configuration",
    title="section of the configuration refused",
    cause="An operator serves a document that contradicts itself, or does not suit the hardware.",
    strikes="service",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=find_error_report,
    parameters=(
        Parameter("mistake", "what is wrong with it", "overcommitted_qos", ("absent_port", "misspelt_proposal")),
    ),
    onset=IN_SERVICE,
    why_not=why_not,
)
