"""needs_newer_release: the document says what only a later release understands."""

from __future__ import annotations

from harness.core.faults import Doing, Expectation, Fault, Parameter, Values
from harness.core.model import Plan
from harness.faults._configuration import find_error_report, serve_changed


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return serve_changed(f"newer_{values['novelty']}")


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="configured",
        serves=False,
        back_within_s=90.0,
        causes=("needs_newer_release",),
        why="A part left out in silence may be the one that keeps somebody out: the document is refused whole, with "
        "the report config-error (RFC 8572 section 7.3), and the device asks again, with pauses up to half a minute.",
    )


FAULT = Fault(
    name="needs_newer_release",
    order=600,
    family="configuration",
    title="configuration needs a newer release",
    cause="The document was written for the next release, and the branch is given this one.",
    strikes="configured",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=find_error_report,
    parameters=(Parameter("novelty", "what is new: format, section, key", "format", ("section", "key")),),
)
