"""How often a diagnosis is right: what is tried, and what is counted. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from harness.core.entries import Evidence
from harness.core.faults import IN_SERVICE, Applied, Expectation, Fault
from harness.core.model import Plan
from harness.core.registry import load_stages
from harness.trial.choose import find_reason, is_kept_back, list_variants
from harness.trial.trial import Trial

TOP = 3


@dataclass(frozen=True, slots=True)
class Tried:
    """One run that was diagnosed. `right`: a cause of each fault that was put upon it, any of which will do; `named`:
    the causes that were named, the best first."""

    text: str
    group: str
    right: tuple[tuple[str, ...], ...]
    named: tuple[str, ...]
    folder: str

    @property
    def is_first(self) -> bool:
        """Say whether the first cause named is right; where there is nothing to find, whether none was named."""
        right = {name for names in self.right for name in names}
        return self.named[0] in right if self.named and right else not self.named and not right

    @property
    def is_among_top(self) -> bool:
        """Say whether a right cause of every fault is among the first three."""
        if not any(self.right):
            return not self.named
        return all(set(names) & set(self.named[:TOP]) for names in self.right if names)


def find_share(hits: Sequence[bool]) -> float:
    """Return the share of hits, in percent; 0 of none."""
    return 100.0 * sum(hits) / len(hits) if hits else 0.0


def list_hidden(trial: Trial, stopped: str | None) -> list[str]:
    """Return the faults that did not show while a diagnosis could see it: of a bring-up that stopped, by then. Unlike a
    case, this looks at the bench's own doings: from them some faults know when they set in."""
    until_ns = None if stopped is None else trial.machine.stages_closed_ns
    seen = Evidence(s for s in trial.evidence if until_ns is None or s.at_ns <= until_ns)
    shown = [(n, n.applied.fault.shows(trial.plan, n.applied.values, seen)) for n in trial.notes]
    return [n.applied.text for n, s in shown if s is None or n.begun_ns is None or s.at_ns < n.begun_ns]


# ---------------------------------------------------------------- what is tried


def share_out(plans: Sequence[Plan], faults: Sequence[Applied]) -> list[list[Applied]]:
    """Return for each branch the faults to try on it: each fault once, on the first branch that it can befall."""
    shares: list[list[Applied]] = [[] for _ in plans]
    for applied in faults:
        place = next((n for n, plan in enumerate(plans) if find_reason(plan, applied) is None), None)
        if place is not None:
            shares[place].append(applied)
    return shares


def list_kept_back(faults: Sequence[Fault]) -> list[Applied]:
    """Return all variants that rules were not written by."""
    return [applied for fault in faults for applied in list_variants(fault) if is_kept_back(applied)]


def choose_pairs(plan: Plan, faults: Sequence[Fault], count: int) -> list[tuple[Applied, Applied]]:
    """Return pairs that can both show: of two families; neither hides the other, so far as the catalogue can say. Of
    all such pairs those whose names have the smallest digests, each fault in two at most, so that nobody chooses."""
    applied = [Applied(f, f.usual()) for f in faults]
    usable = [a for a in applied if find_reason(plan, a) is None]
    pairs = [pair for pair in combinations(usable, 2) if _can_both_show(plan, *pair)]
    pairs.sort(key=lambda pair: hashlib.sha256(" ".join(sorted(a.text for a in pair)).encode()).digest())
    chosen: list[tuple[Applied, Applied]] = []
    uses: dict[str, int] = {}
    for pair in pairs:
        if len(chosen) < count and all(uses.get(a.text, 0) < 2 for a in pair):
            chosen.append(pair)
            uses |= {a.text: uses.get(a.text, 0) + 1 for a in pair}
    return chosen


def _can_both_show(plan: Plan, one: Applied, other: Applied) -> bool:
    """Say whether two faults are of two families, and one lets the other be seen: of two that strike service one lets
    the branch serve; of two that strike before it one does not stop the bring-up, and strikes at an earlier stage than
    that at which the other stops it; one of either kind goes with another that lets the bring-up pass."""
    if one.fault.family == other.fault.family:
        return False
    first, second = (a.fault.expects(plan, a.values) for a in (one, other))
    if not first.causes or not second.causes:
        return False
    in_service = [a.fault.onset == IN_SERVICE for a in (one, other)]
    if all(in_service):
        return first.serves is True or second.serves is True
    if any(in_service):
        early = second if in_service[0] else first
        return early.stage is None and early.serves is not False
    if first.stage is not None and second.stage is not None:
        return False
    return _comes_before(one, first, other, second) and _comes_before(other, second, one, first)


def _comes_before(one: Applied, expected: Expectation, other: Applied, others: Expectation) -> bool:
    """Say whether the one, if it does not stop the bring-up, strikes before the stage at which the other does. Within a
    stage the catalogue has no order: without a card no APN is tried, though both are of one stage."""
    names = [s.name for s in load_stages()]
    if expected.stage is not None or others.stage is None:
        return True
    return one.fault.strikes in names and names.index(one.fault.strikes) < names.index(others.stage)
