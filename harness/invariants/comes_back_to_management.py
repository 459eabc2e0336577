"""comes_back_to_management: once the cause is gone the device is heard by management again, all by itself."""

from __future__ import annotations

from harness.core.entries import Check, Evidence, Example, hold
from harness.core.faults import BENCH
from harness.core.model import Ask, Finding, Plan
from harness.core.sample import answered, saw

NAME = "comes_back_to_management"


def find_gone(evidence: Evidence) -> int:
    """Return when the bench last ended something (what it asked for, a cable where it was, power), 0 for never."""
    ends = [s.at_ns for s in evidence if str(s.data.get("label") or "").startswith(f"{BENCH}off.")]
    ends += [s.at_ns for s in evidence.find_all("router", "boot.started", cause="power")]
    return max(ends, default=0)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    gone_ns = find_gone(evidence)
    beats = [s for s in evidence.find_all("management", "heartbeat.received") if s.at_ns >= gone_ns]
    seen = f"{len(beats)} heartbeats" if beats else "nothing of the device since"
    expected = "heartbeats at management once the cause is gone"
    return (hold(NAME, bool(beats), "the device comes back to management", expected, seen, beats[:1]),)


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    return ()


INVARIANT = Check(
    name=NAME,
    order=50,
    title="The device comes back to management by itself",
    after="hq_reached",
    why_not=lambda plan: None,
    judge=judge,
    timeout_s=5.0,
    actions=act,
)
_OFF = answered("carrier", f"{BENCH}off.0.0", 50.0, {})
_CABLE_BACK = answered("internet", f"{BENCH}off.1.0", 60.0, {"monotonic_ns": 0, "realtime_ns": 0})
EXAMPLES = (
    Example("a heartbeat after the end", "PASS", (_OFF, saw("management", "heartbeat.received", 52.0, serial="X"))),
    Example(
        "heartbeats before the end only", "FAIL", (saw("management", "heartbeat.received", 49.0, serial="X"), _OFF)
    ),
    Example(
        "heartbeats only before the cable was back",
        "FAIL",
        (_OFF, saw("management", "heartbeat.received", 52.0, serial="X"), _CABLE_BACK),
    ),
)
