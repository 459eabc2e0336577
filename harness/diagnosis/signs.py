"""More signs to write rows in: order, silence, numbers, words, probes, findings, and signs made of signs. Layer:
diagnosis, pure. `later` is as in rows.py: True what came once the bring-up was passed, else all of the evidence.

    saw("...", "carrier", "pdn.refused", accepts=among(cause=(29, 33)))          a field with one of several values
    saw("...", "hq-gateway", "sa.refused", accepts=matching(detail="certificate")) a field in these words (a pattern)
    saw("...", "router", "signal.measured", accepts=ranged("rsrp_dbm", below=-115)) a field out of range
    measured("...", "router", "signal.measured", "rsrp_dbm", below=-115)         the median out of range
    distinct("...", "carrier", "pdn.granted", "address", least=2, later=None)     a field that changed
    silent("...", "management", "heartbeat.received", 5.0)                        nothing of a kind for so long
    then("...", sign_a, sign_b, within_s=10)                                      one, and after it the other
    unfollowed("...", sign_a, sign_b, 10)                                         one, and the other not within 10 s
    within("...", "router", "uplink.down", times=3, seconds=60)                   so many within so long
    any_of("...", sign_a, sign_b), all_of(...), none_of("...", sign_a)            signs made of signs
    answered("...", "lease.*", lambda plan, answer: not answer.ok)                a stage's probe, by its label
    judged("...", "hq_reached.mtu")                                               a stage's finding that failed
    said("...", "hq-gateway", r"no proposal")                                     a daemon's log

Law: the logs may be missing (a run in a lab that it shares has none): `said` moves a cause up or down, no row needs it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from fnmatch import fnmatchcase
from itertools import pairwise
from statistics import median
from typing import Any

from harness.core.entries import ANSWERED, Answer, Seen, as_number
from harness.core.model import Outcome, Plan
from harness.core.timing import to_ns
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Accept, Sign, choose_part, find_seen

AcceptAnswer = Callable[[Plan, Answer], bool]


# ---------------------------------------------------------------- what `accepts` may be


def among(**fields: tuple[Any, ...]) -> Accept:
    """Return whether each field has one of the values given for it."""
    return lambda plan, seen: all(seen.data.get(name) in values for name, values in fields.items())


def other_than(**fields: Any) -> Accept:
    """Return whether each field is there, and has another value than the one given for it."""
    return lambda plan, seen: all(seen.data.get(name) not in (None, value) for name, value in fields.items())


def matching(**patterns: str) -> Accept:
    """Return whether each field, as text, holds what the pattern given for it describes (any case)."""
    known = {name: re.compile(pattern, re.IGNORECASE) for name, pattern in patterns.items()}
    return lambda plan, seen: all(p.search(str(seen.data.get(name, ""))) for name, p in known.items())


def ranged(name: str, *, below: float | None = None, above: float | None = None) -> Accept:
    """Return whether a field is a number below, or above, a limit (both: outside of the two)."""

    def accept(plan: Plan, seen: Seen) -> bool:
        return _is_out(as_number(seen.data.get(name)), below, above)

    return accept


def both(*accepts: Accept) -> Accept:
    """Return whether all agree."""
    return lambda plan, seen: all(accept(plan, seen) for accept in accepts)


# ---------------------------------------------------------------- signs of one kind of observation


def measured(
    text: str,
    source: str,
    kind: str,
    name: str,
    *,
    below: float | None = None,
    above: float | None = None,
    least: int = 1,
    later: bool | None = False,
    weight: float = 1.0,
    **fields: Any,
) -> Sign:
    """The median of a field, of at least `least` values, is below or above a limit."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        found = find_seen(case, choose_part(case, later), source, kind, None, fields)
        numbers = [(s, n) for s in found if (n := as_number(s.data.get(name))) is not None]
        if len(numbers) < least or not _is_out(median([n for _, n in numbers]), below, above):
            return None
        return tuple(s for s, n in numbers if _is_out(n, below, above))

    return Sign(text, find, weight)


def distinct(
    text: str, source: str, kind: str, name: str, *, least: int = 2, later: bool | None = False, weight: float = 1.0,
    **fields: Any,
) -> Sign:  # fmt: skip
    """A field had at least `least` different values. It rests on the first observation of each."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        first: dict[str, Seen] = {}
        for seen in find_seen(case, choose_part(case, later), source, kind, None, fields):
            first.setdefault(str(seen.data.get(name)), seen)
        return tuple(first.values()) if len(first) >= least else None

    return Sign(text, find, weight)


def within(
    text: str, source: str, kind: str, *, times: int, seconds: float, later: bool | None = False, weight: float = 1.0,
    accepts: Accept | None = None, **fields: Any,
) -> Sign:  # fmt: skip
    """Something was seen so many times within so many seconds."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        found = find_seen(case, choose_part(case, later), source, kind, accepts, fields)
        spans = (found[i : i + times] for i in range(len(found) - times + 1))
        return next((tuple(s) for s in spans if s[-1].at_ns - s[0].at_ns <= to_ns(seconds)), None)

    return Sign(text, find, weight)


def silent(
    text: str, source: str, kind: str, for_s: float, *, later: bool | None = True, weight: float = 1.0,
    accepts: Accept | None = None, **fields: Any,
) -> Sign:  # fmt: skip
    """What had been seen was not seen again for so long: between two of a kind, or to the end. It rests on what is on
    either side of the gap. No silence is: of a kind that was never seen (use `never`); where nobody looked."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        part = choose_part(case, later)
        found = list(find_seen(case, choose_part(case, None), source, kind, accepts, fields))
        ends = [s.at_ns for s in part]
        if not found or not ends:
            return None
        for one, after in zip(found, [*found[1:], None], strict=True):
            until_ns = ends[-1] if after is None else after.at_ns
            since_ns = max(ends[0], one.at_ns if after is None else _find_watch_ns(case, one, after))
            if until_ns >= ends[0] and until_ns - since_ns >= to_ns(for_s):
                return (one,) if after is None else (one, after)
        return None

    return Sign(text, find, weight)


def _find_watch_ns(case: Case, one: Seen, after: Seen) -> int:
    """Return from when on it was looked at what lies between two of a kind. Where the source's own numbers say that it
    spoke in between and was not heard (the lab stood for a while, and another trial was at it), that is from the end of
    the longest time in which nothing at all was seen."""
    first, last = one.observation, after.observation
    own = [
        s.observation for s in case.evidence if (s.observation.source, s.observation.part) == (first.source, first.part)
    ]
    heard = sum(first.seq < o.seq < last.seq for o in own)
    if last.part != first.part or last.seq - first.seq - 1 <= heard:
        return one.at_ns
    times = sorted(s.at_ns for s in case.evidence if one.at_ns <= s.at_ns <= after.at_ns)
    return max(pairwise(times), key=lambda pair: pair[1] - pair[0])[1]


# ---------------------------------------------------------------- signs made of signs


def then(text: str, first: Sign, second: Sign, *, within_s: float | None = None, weight: float = 1.0) -> Sign:
    """One was seen, and after it (within so many seconds) the other."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        ones, others = first.find(case) or (), second.find(case) or ()
        for one in ones:
            for other in others:
                gap_ns = other.at_ns - one.at_ns
                if gap_ns >= 0 and other.index != one.index and (within_s is None or gap_ns <= to_ns(within_s)):
                    return (one, other)
        return None

    return Sign(text, find, weight)


def unfollowed(text: str, first: Sign, second: Sign, for_s: float, *, weight: float = 1.0) -> Sign:
    """One was seen, and the other did not come in the next so many seconds, though that long was looked at."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        others = [s.at_ns for s in second.find(case) or ()]
        until_ns = max((s.at_ns for s in case.evidence), default=0)
        waited = [s for s in first.find(case) or () if s.at_ns + to_ns(for_s) <= until_ns]
        alone = [s for s in waited if not any(s.at_ns <= at <= s.at_ns + to_ns(for_s) for at in others)]
        return tuple(alone) or None

    return Sign(text, find, weight)


def any_of(text: str, *signs: Sign, weight: float = 1.0) -> Sign:
    """At least one of the signs is there. It rests on what all that are there rest on."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        return _join([sign.find(case) for sign in signs], 1)

    return Sign(text, find, weight)


def all_of(text: str, *signs: Sign, weight: float = 1.0) -> Sign:
    """All of the signs are there, as one sign of one weight."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        return _join([sign.find(case) for sign in signs], len(signs))

    return Sign(text, find, weight)


def none_of(text: str, *signs: Sign, weight: float = 1.0) -> Sign:
    """None of the signs is there."""
    return Sign(text, lambda case: () if all(s.find(case) is None for s in signs) else None, weight)


# ---------------------------------------------------------------- probes, findings, logs


def answered(
    text: str, label: str, accepts: AcceptAnswer | None = None, *, least: int = 1, later: bool | None = False,
    weight: float = 1.0,
) -> Sign:  # fmt: skip
    """A probe of a stage or check was answered, and so that `accepts` is content. `label` may hold ``*``."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        found = [s for s in choose_part(case, later) if _is_answer(case.plan, s, label, accepts)]
        return tuple(found) if len(found) >= least else None

    return Sign(text, find, weight)


def judged(text: str, finding: str, *, outcome: Outcome = "FAIL", weight: float = 1.0) -> Sign:
    """A stage's finding (``hq_reached.mtu``; may hold ``*``) has that outcome. It rests on what the finding rests on.

    Take none that is judged by what others have on record: a diagnosis must find that out.
    """

    def find(case: Case) -> tuple[Seen, ...] | None:
        found = [f for r in case.results for f in r.findings if fnmatchcase(f.check, finding) and f.outcome == outcome]
        numbers = {n for f in found for n in f.evidence}
        return tuple(s for s in case.evidence if s.index in numbers) if found else None

    return Sign(text, find, weight)


def said(text: str, node: str, pattern: str, *, weight: float = 0.5) -> Sign:
    """A node's log holds a line that the pattern describes (any case)."""
    known = re.compile(pattern, re.IGNORECASE)
    return Sign(text, lambda case: () if known.search(case.logs.get(node, "")) else None, weight)


def _is_answer(plan: Plan, seen: Seen, label: str, accepts: AcceptAnswer | None) -> bool:
    data = seen.data
    if seen.observation.kind != ANSWERED or not fnmatchcase(str(data.get("label") or ""), label):
        return False
    answer = Answer(seen, data.get("ok") is True, data.get("result"), str(data.get("error") or ""))
    return accepts is None or accepts(plan, answer)


def _join(found: list[tuple[Seen, ...] | None], least: int) -> tuple[Seen, ...] | None:
    there = [f for f in found if f is not None]
    if len(there) < least:
        return None
    by_index = {seen.index: seen for part in there for seen in part}
    return tuple(by_index[i] for i in sorted(by_index))


def _is_out(value: float | None, below: float | None, above: float | None) -> bool:
    if value is None:
        return False
    return (below is not None and value < below) or (above is not None and value > above)
