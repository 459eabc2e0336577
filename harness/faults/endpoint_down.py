"""endpoint_down: the tunnel comes up, and what is behind it is silent."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Values, impair
from harness.core.model import Plan
from harness.core.timing import to_ns
from harness.faults._tunnel import CLIENT_S

HEARD = ("echo.received", "log.received", "log.rejected", "radius.answered", "http.served")
"""What HQ's endpoint tells of anything that reaches it."""
SILENCE_S = 8.0
"""A profile promises a log line at HQ within 5 s of its cause, and "tunnel up" is one; the rest is margin."""


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("hq-endpoint", "pull_cable"),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="hq_reached",
        serves=False,
        back_within_s=CLIENT_S,
        causes=("endpoint_down",),
        why="The tunnel is well: it ends at the gateway, and the device can do nothing for a server behind it.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    """The tunnel came up, and HQ heard nothing of what the device sends as soon as it has one (its log, RADIUS)."""
    child = evidence.find_first("hq-gateway", "child.installed")
    if child is None:
        return None
    until_ns = child.at_ns + to_ns(SILENCE_S)
    is_heard = any(
        s.observation.source == "hq-endpoint" and s.observation.kind in HEARD and s.at_ns <= until_ns for s in evidence
    )
    return None if is_heard or all(s.at_ns <= until_ns for s in evidence) else child


FAULT = Fault(
    name="endpoint_down",
    order=740,
    family="tunnel and HQ",
    title="endpoint behind the gateway down",
    cause="The server at HQ is off, or its cable is out.",
    strikes="hq_reached",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
)
