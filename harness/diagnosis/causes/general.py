"""Causes that are common and of no fault of the catalogue: no power, a bench that broke, a budget too short. Layer:
diagnosis, data. Their weights are low: whatever says more comes first.
"""

from __future__ import annotations

import re

from harness.core.entries import Seen
from harness.core.model import StageResult
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Cause, Find, holds, never, saw, stopped_at
from harness.diagnosis.signs import any_of

_LATE = re.compile(r" came \d+\.\d s too late$")
"""How harness.core.judging tells what met a stage's need after its budget."""
_BENCH = ("carrier", "internet", "management", "hq-gateway", "hq-endpoint", "bridges", "client")


def _stopped_by(accepts: re.Pattern[str], outcome: str) -> Find:
    """Find the stage that stopped the bring-up, where it came out so and one of its findings says so."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        result: StageResult | None = case.find_result(case.stopped) if case.stopped else None
        if result is None or result.outcome != outcome or not any(accepts.search(f.seen) for f in result.findings):
            return None
        return tuple(s for s in case.evidence if s.index in result.evidence)

    return find


CAUSES = (
    Cause(
        name="router_silent",
        title="the router has no power, or is dead",
        needs=(
            stopped_at("powered", weight=0.5),
            never("the router's console says nothing at all", "router", "boot.started"),
        ),
        tell_apart="A power light tells power from a dead device; another supply tells the supply from the device.",
        at_bench="Is the power light on? If not, try another supply; if it is, the loader does not start: return it.",
        at_site="Plug, switch and supply first; then put a spare device in.",
        sentence=(
            "Please see that the plug is in and the light is on; leave the socket and its wiring to an electrician."
        ),
    ),
    Cause(
        name="firmware_does_not_start",
        title="the router has power, but its firmware does not start",
        needs=(
            stopped_at("powered", weight=0.5),
            saw("the loader starts", "router", "boot.started", weight=0.5),
            never("no firmware slot is started", "router", "slot.started", weight=0.0),
        ),
        speaks_for=(
            any_of(
                "the firmware ends at once, or its slot is refused",
                saw("it ends", "router", "runtime.exited"),
                saw("a slot is refused", "router", "slot.rejected"),
            ),
        ),
        tell_apart="A slot that is refused says so on the console (slot.rejected), a firmware that ends, too.",
        at_bench="Read the console; put the factory's release in both slots, and try again.",
        at_site="Put a spare device in; this one goes back to the bench.",
        sentence="Leave it switched on for ten minutes; if the lights do not change, we send you another device.",
    ),
    Cause(
        name="budget_too_short",
        title="it works, but takes longer than its budget",
        needs=(holds("what the stage waited for came after its budget", _stopped_by(_LATE, "FAIL"), weight=1.5),),
        tell_apart="A slow line or a loaded bench is slow in every stage; one slow stage is that stage's own trouble.",
        at_bench="Look at the stages before: are they slow, too? Run again on an idle machine, or set a longer budget.",
        at_site="Nothing, if it came up at last; look at signal and line speed.",
        sentence="It is only slow; leave it switched on, it comes by itself.",
    ),
    Cause(
        name="bench_probe_broke",
        title="the bench's own probe broke: nothing is known of the branch",
        needs=(
            holds(
                "the stage's own probe broke",
                _stopped_by(re.compile(r"^the bench's probe broke"), "INCONCLUSIVE"),
                weight=1.5,
            ),
        ),
        tell_apart="The probe's error says what broke; a branch that stays silent is told apart from it by the bench.",
        at_bench="Read the node's log in nodes/, and run again.",
        at_site="Nothing: nothing was learnt of the branch.",
        sentence="Nothing need be done.",
    ),
    Cause(
        name="bench_node_failed",
        title="a stand-in of the bench failed",
        needs=(
            any_of(
                "a stand-in says that it failed",
                *(saw(f"{node} failed", node, "node.failed", later=None) for node in _BENCH),
                weight=1.5,
            ),
        ),
        tell_apart="node.failed names its error; the branch itself may be well.",
        at_bench="Read the node's log in nodes/, and run again.",
        at_site="Nothing: the bench broke, not the branch.",
        sentence="Nothing need be done.",
    ),
)
