"""What the faults of SIM and radio share. Layer: faults, pure."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import BENCH, Expectation
from harness.core.model import Plan

BACK_S = 60.0
"""Within which a branch is back that has to go through a whole bring-up: a pause of the dialler of at most 20 s where
the cause lasted about 50 s, and the rest of the bring-up."""
FIRST_SLOT = 1
UNKNOWN = 4  # <stat>, out of coverage: TS 27.007 clause 10.1.22


def is_cellular_first(plan: Plan) -> bool:
    """Say whether the branch depends on its cellular uplink."""
    return plan.branch.uplinks[0] == "cellular"


def expect_no_cellular(plan: Plan, causes: tuple[str, ...], why: str) -> Expectation:
    """Return what is expected where the cellular uplink does not come up at all."""
    if is_cellular_first(plan):
        return Expectation("wan_obtained", False, BACK_S, causes, why)
    return _expect_service(causes, f"{why} The fixed line is first: the branch serves, and the device tells of it.")


def expect_no_card(plan: Plan, causes: tuple[str, ...], why: str) -> Expectation:
    """Return what is expected where the first card cannot be used."""
    if len(plan.branch.sims) > 1:
        return _expect_service(causes, f"{why} Meanwhile the second card serves.")
    return expect_no_cellular(plan, causes, why)


def _expect_service(causes: tuple[str, ...], why: str) -> Expectation:
    return Expectation(None, True, BACK_S, causes, why)


def find_onset_ns(evidence: Evidence) -> int | None:
    """Return when the bench last set something in, or None: in a lab that stands in service, what was before is no sign
    of this fault."""
    set_in = (s.at_ns for s in evidence if str(s.data.get("label") or "").startswith(f"{BENCH}on."))
    return max(set_in, default=None)


def find_since_onset(evidence: Evidence, source: str, kind: str, **fields: object) -> tuple[Seen, ...]:
    """Return what was seen since the fault set in."""
    onset_ns = find_onset_ns(evidence)
    found = evidence.find_all(source, kind, **fields)
    return () if onset_ns is None else tuple(s for s in found if s.at_ns >= onset_ns)


def find_blocked(evidence: Evidence, *words: str) -> Seen | None:
    """Return the device's first word that a card blocks, for a reason with one of these words in it."""
    blocked = evidence.find_all("router", "sim.blocked")
    return next((s for s in blocked if any(w in str(s.data.get("reason")) for w in words)), None)
