"""The rounds of `branchproof mutate` as plain text, 80 columns. Layer: reports, pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from harness.core.model import Finding
from harness.core.mutants import Round, score_pct
from harness.reports.text import explain_finding

_MARKS = {"noticed": "ok", "survived": "MISSED", "open": "open"}


def round_line(number: int, count: int, done: Round) -> str:
    """Return the line of one round: what was weakened, and what noticed."""
    by = ", ".join(done.by) or "no check"
    title = done.mutant.spoil.title
    return f"  {_MARKS[done.judgement]:<6} {number:>3}/{count} {title}\n{' ' * 17}{by}, {done.took_s:.1f} s"


def render_mutation(
    rounds: Sequence[Round], left: Sequence[Finding], find_line: Callable[[str], int], profile: str
) -> str:
    """Return the closing lines: the score, each survivor with the profile's line and why it survived, and what did not
    hold at the end."""
    noticed = sum(r.judgement == "noticed" for r in rounds)
    lines = [f"{noticed} of {len(rounds)} weakenings noticed ({score_pct(rounds):.1f} %)"]
    for done in rounds:
        if done.judgement != "noticed":
            spoil = done.mutant.spoil
            lines += [f"{profile}:{find_line(spoil.key)} {spoil.key}: {spoil.title}: {_explain(done)}"]
    if left:
        lines.append("the right configuration was served again, and this does not hold any more:")
        lines += [explain_finding(f) for f in left]
    return "\n".join(lines)


def _explain(done: Round) -> str:
    if done.judgement == "open":
        reasons = dict.fromkeys(f.seen for f in done.findings if f.outcome == "INCONCLUSIVE")
        return f"not judged: {'; '.join(list(reasons)[:3])}"
    held = sum(f.outcome == "PASS" for f in done.findings)
    return f"survived: the device runs with it, and all {held} claims of {len(done.ran)} checks hold"
