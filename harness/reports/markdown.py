"""Stories as Markdown, short enough for a comment on a merge request. Layer: reports, pure.

For CommonMark 0.31 with GitHub's tables (GFM 0.29, 4.10). Nothing of a run can break out of its place: a word that is
not wholly letters, digits and harmless points stands in a code span, where no markup, HTML, link, mention or number of
an issue is read; a code span's fence is longer than any run of backticks in it; pipes, which would end a table's cell
even there, and what is hidden are written out (escape). The only HTML is our own `details`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import groupby

from harness.core.model import Finding, Outcome
from harness.page.words import (
    DECISIONS,
    OUTCOMES,
    count_outcomes,
    group_unproven,
    tell_date,
    tell_held,
    tell_seconds,
)
from harness.reports.escape import escape
from harness.story.model import CauseView, Decision, Story

SHAPES: dict[Outcome, str] = {"PASS": "✓", "FAIL": "✗", "INCONCLUSIVE": "○", "NOT_APPLICABLE": "–"}
DECISION_SHAPES: dict[Decision, str] = {"ship": "✓", "do not ship": "✗", "undecided": "○"}
LONGEST = 400
"""Letters of one text; what is longer stands whole in the other reports."""
MOST_WHY, MOST_UNPROVEN, MOST_FAILING, MOST_TITLES = 6, 8, 12, 6
_PLAIN = re.compile(r"\(?[^\W_][\w.,;:()/=+%'-]*|-?\d+(\.\d+)?[,;:%)]?|[/%]")
"""A word in which no dialect of Markdown reads anything, but for what `_LINKED` finds."""
_LINKED = re.compile(r"www\.|://|:[\w+-]*[a-z][\w+-]*:|\bGH-\d|\b[0-9a-f]{7,40}\b|_\b|\b_|\b\d+[.)]$", re.IGNORECASE)
"""Addresses, emoji, numbers of issues and commits, underscores at an edge; what would begin a numbered list."""


def render_markdown(stories: Sequence[Story]) -> str:
    """Return the stories, one below the other."""
    return "\n---\n\n".join("\n".join(_tell_run(story)) + "\n" for story in stories)


def prose(text: str) -> str:
    """Return a text of unknown origin as one line of Markdown that shows it, and does nothing else."""
    text = escape(text if len(text) <= LONGEST else f"{text[:LONGEST]}...").replace("|", "\\x7c")
    parts = groupby(text.split(), key=_is_plain)
    return " ".join(" ".join(words) if plain else _code(" ".join(words)) for plain, words in parts)


def _is_plain(word: str) -> bool:
    return _PLAIN.fullmatch(word) is not None and _LINKED.search(word) is None


def _code(text: str) -> str:
    """Return a code span (CommonMark 6.1)."""
    fence = "`" * (1 + max((len(run) for run in re.findall("`+", text)), default=0))
    pad = " " if text.startswith("`") or text.endswith("`") else ""
    return f"{fence}{pad}{text}{pad}{fence}"


def _tell_run(story: Story) -> Iterator[str]:
    word, _ = DECISIONS[story.decision]
    yield f"### {DECISION_SHAPES[story.decision]} {word}: {prose(f'{story.profile} / {story.site}')}"
    yield ""
    yield prose(story.headline)
    yield ""
    yield from (f"- {prose(line)}" for line in story.why[:MOST_WHY])
    yield from _tell_more(len(story.why) - MOST_WHY)
    yield from _tell_causes(story)
    yield from _tell_unproven(story)
    yield from _tell_stages(story)
    yield from _tell_failing(story)
    yield from _tell_details(story)


def _tell_more(count: int) -> Iterator[str]:
    if count > 0:
        yield f"- and {count} more"


def _tell_causes(story: Story) -> Iterator[str]:
    if not story.is_diagnosed:
        return
    yield ""
    if not story.causes:
        yield "**First cause:** not known; `branchproof explain` tells what was looked at."
        return
    first, *others = story.causes
    yield f"**First cause:** {prose(first.title)}"
    yield ""
    yield from _tell_cause(first)
    if others:
        yield f"- less probable: {'; '.join(prose(c.title) for c in others)}"


def _tell_cause(cause: CauseView) -> Iterator[str]:
    yield f"- on site, say: {prose(cause.sentence)}"
    yield f"- at the bench: {prose(cause.at_bench)}"
    yield f"- at the site: {prose(cause.at_site)}"
    for text, numbers in cause.grounds[:MOST_WHY]:
        shown = f" (observations {', '.join(map(str, numbers[:4]))}{', ...' if len(numbers) > 4 else ''})"
        yield f"- because {prose(text)}{shown if numbers else ''}"


def _tell_unproven(story: Story) -> Iterator[str]:
    gaps = group_unproven(story.unproven)
    if not gaps:
        return
    yield ""
    yield f"**Not proven by this run ({len(story.unproven)}):**"
    yield ""
    for gap in gaps[:MOST_UNPROVEN]:
        titles = "; ".join(prose(t) for t in gap.titles[:MOST_TITLES])
        more = f"; and {len(gap.titles) - MOST_TITLES} more" if len(gap.titles) > MOST_TITLES else ""
        yield f"- {SHAPES[gap.outcome]} {OUTCOMES[gap.outcome]}: {titles}{more}: {prose(gap.why)}"
    yield from _tell_more(len(gaps) - MOST_UNPROVEN)


def _tell_stages(story: Story) -> Iterator[str]:
    yield ""
    yield "| Stage | Outcome | Took | Budget | Seen |"
    yield "| --- | --- | ---: | ---: | --- |"
    for stage in story.stages:
        outcome = f"{SHAPES[stage.outcome]} {OUTCOMES[stage.outcome]}"
        times = f"{tell_seconds(stage.took_s)} | {tell_seconds(stage.budget_s)}"
        yield f"| {prose(stage.name)} | {outcome} | {times} | {prose(stage.summary)} |"


def _tell_failing(story: Story) -> Iterator[str]:
    listed = [*(s.findings for s in story.stages), *(c.findings for c in story.checks)]
    found = [f for findings in listed for f in findings if f.outcome == "FAIL"]
    if not found:
        return
    yield ""
    yield f"**Claims that fail ({len(found)}):**"
    yield ""
    yield from (_tell_finding(f) for f in found[:MOST_FAILING])
    yield from _tell_more(len(found) - MOST_FAILING)


def _tell_finding(finding: Finding) -> str:
    numbers = ", ".join(map(str, finding.evidence[:8])) + (", ..." if len(finding.evidence) > 8 else "")
    evidence = f" (observations {numbers})" if numbers else ""
    told = f"{finding.claim}; expected {finding.expected or 'nothing in particular'}; seen {finding.seen}"
    return f"- ✗ {prose(finding.check)}: {prose(told)}{evidence}"


def _tell_details(story: Story) -> Iterator[str]:
    checks = story.checks
    yield ""
    yield f"<details><summary>Checks: {count_outcomes([c.outcome for c in checks])}</summary>"
    yield ""
    yield "| Check | Outcome | Claims that hold |"
    yield "| --- | --- | ---: |"
    for check in checks:
        yield f"| {prose(check.name)} | {SHAPES[check.outcome]} {OUTCOMES[check.outcome]} | {tell_held(check)} |"
    yield ""
    yield "</details>"
    yield ""
    digest = str(story.facts.get("profile_digest") or "")[:12]
    made = [story.run, tell_date(story), f"pace {story.pace}", f"profile {digest}" if digest else ""]
    yield prose(", ".join(filter(None, made)))
    for place, note in enumerate(_list_notes(story)):
        yield from [""] if place == 0 else []
        yield f"- {prose(note)}"


def _list_notes(story: Story) -> list[str]:
    """Return the notes that say that something is missing; how clocks were placed stands in the other reports."""
    return [n for n in story.notes if "placed to" not in n and not n.startswith("node logs:")][:MOST_WHY]
