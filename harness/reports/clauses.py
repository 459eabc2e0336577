"""Evidence by clause: what runs show for PCI DSS, the HIPAA Security Rule, NIST SP 800-53. Layer: reports, pure.

For each clause the checks that bear on it, run by run, with outcome and the numbers of the observations behind
(`number` in the run's tape.jsonl). A check that failed is evidence, too: against. One that did not apply, or could not
be judged, is none.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.core.clauses import CLAUSES
from harness.core.model import Finding, Outcome, Verdict
from harness.core.verdict import find_worst
from harness.reports.escape import escape

WIDTH = 80
NUMBERS_SHOWN = 12
CAUTION = (
    "This is evidence for an assessor, not an attestation. It says what these runs of a bench showed, against "
    "stand-ins; whether a clause is met is the assessor's to decide, from the publications themselves and from much "
    "that no bench can show: policies, reviews, people, and the site as it was built."
)


@dataclass(frozen=True, slots=True)
class Run:
    """One run: its name for people, its verdict, and each check's clauses under its plan."""

    name: str
    verdict: Verdict
    clauses_of: Mapping[str, Sequence[str]]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one check of one run shows for a clause."""

    run: int
    """The run's place in the list, from 1."""
    check: str
    outcome: Outcome
    held: int
    claims: int
    observations: tuple[int, ...]
    reason: str
    """Why it shows nothing; empty where it does."""

    @property
    def shows(self) -> bool:
        return self.outcome in ("PASS", "FAIL")


def gather(runs: Sequence[Run]) -> dict[str, tuple[Evidence, ...]]:
    """Return clause to evidence, every clause of the table in its order."""
    found: dict[str, list[Evidence]] = {clause: [] for clause in CLAUSES}
    for place, run in enumerate(runs, 1):
        by_check: dict[str, list[Finding]] = {}
        for finding in run.verdict.checks:
            by_check.setdefault(finding.check, []).append(finding)
        for check, findings in by_check.items():
            for clause in run.clauses_of.get(check, ()):
                found[clause].append(_weigh(place, check, findings))
    return {clause: tuple(listed) for clause, listed in found.items()}


def _weigh(run: int, check: str, findings: Sequence[Finding]) -> Evidence:
    worst = find_worst(f.outcome for f in findings)
    judged = [f for f in findings if f.outcome != "NOT_APPLICABLE"]
    numbers = tuple(sorted({number for f in judged for number in f.evidence}))
    held = sum(f.outcome == "PASS" for f in judged)
    reason = "" if worst in ("PASS", "FAIL") else next(f.seen for f in findings if f.outcome == worst)
    return Evidence(run, check, worst, held, len(judged), numbers, reason)


def render_clauses(runs: Sequence[Run]) -> str:
    """Return the whole list as text: the caution, the runs, clauses with evidence, clauses without."""
    gathered = gather(runs)
    with_some = {clause: listed for clause, listed in gathered.items() if any(e.shows for e in listed)}
    lines = ["EVIDENCE BY CLAUSE", *textwrap.wrap(CAUTION, WIDTH), "", "Runs:"]
    for place, run in enumerate(runs, 1):
        lines += _wrap(f"{place}  {run.name}: {'proven' if run.verdict.proven else 'NOT proven'}", "  ", "     ")
    for clause, listed in with_some.items():
        lines += ["", *_wrap(f"{clause}  {CLAUSES[clause]}", "", "    ")]
        for evidence in listed:
            lines += _tell(evidence)
    without = [clause for clause in gathered if clause not in with_some]
    lines += ["", f"NO EVIDENCE in these runs ({len(without)} of {len(gathered)} clauses that the bench knows):"]
    for clause in without:
        lines += [*_wrap(f"{clause}  {CLAUSES[clause]}", "  ", "      "), *_excuse(gathered[clause])]
    return "\n".join(lines)


def _tell(evidence: Evidence) -> list[str]:
    head = f"{evidence.outcome}  run {evidence.run}, {evidence.check}: "
    if not evidence.shows:
        return _wrap(f"{head}shows nothing: {evidence.reason}", "  ", "      ")
    numbers = ", ".join(map(str, evidence.observations[:NUMBERS_SHOWN]))
    more = len(evidence.observations) - NUMBERS_SHOWN
    tail = f"; observations {numbers}" + (f" and {more} more" if more > 0 else "") if numbers else ""
    return _wrap(f"{head}{evidence.held} of {evidence.claims} claims hold{tail}", "  ", "      ")


def _excuse(listed: Iterable[Evidence]) -> list[str]:
    """Say why the checks that bear on a clause show nothing; nothing is said where there is no such check."""
    return [
        line
        for evidence in listed
        for line in _wrap(f"run {evidence.run}, {evidence.check}: {evidence.reason}", "      ", "        ")
    ]


def _wrap(text: str, first: str, rest: str) -> list[str]:
    return textwrap.wrap(escape(text), WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
