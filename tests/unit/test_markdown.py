"""The Markdown report, read back by a parser of another house: short, whole, and nothing of a run breaks out."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token

from harness.core.model import Outcome
from harness.reports.escape import escape
from harness.reports.markdown import LONGEST, prose, render_markdown
from harness.story.model import Unproven
from tests.unit.told_runs import make_hostile, tell_recorded

PROVEN = ("brought_up-pier-kiosk", "brought_up-harbour-office")
FAILED = ("apn_unknown-pier-kiosk", "wrong_psk-pier-kiosk")
OUR_HTML = re.compile(r"<details><summary>Checks: [\w, ]+</summary>\n|</details>\n")
READ_INTO = re.compile(r"@\w|[#!$~&]\d|%\d|\bGH-\d|www\.|://|:[a-z]+:|[<>|`\\]")
"""What forges make something of in text that is no code: mentions, references, addresses, emoji."""


def parse(text: str, *, html: bool) -> list[Token]:
    """Return all tokens, those within lines too. GFM's tables and strikethrough are on."""
    parser = MarkdownIt("commonmark", {"html": html}).enable(["table", "strikethrough"])
    return [one for token in parser.parse(text) for one in (token, *(token.children or ()))]


def list_texts(tokens: list[Token]) -> list[str]:
    return [t.content for t in tokens if t.type == "text"]


def list_rows(tokens: list[Token]) -> Iterator[list[str]]:
    """Yield the cells of each row of each table, as shown."""
    row: list[str] = []
    for place, token in enumerate(tokens):
        if token.type == "tr_open":
            row = []
        elif token.type in ("td_open", "th_open"):
            row.append("".join(c.content for c in tokens[place + 1].children or ()))
        elif token.type == "tr_close":
            yield row


@pytest.mark.parametrize("name", PROVEN + FAILED)
def test_a_run_is_told_whole(name: str) -> None:
    story = tell_recorded(name)
    tokens = parse(render_markdown([story]), html=True)
    head = next(tokens[n + 1] for n, t in enumerate(tokens) if t.type == "heading_open")
    word = {"undecided": "○ Undecided", "do not ship": "✗ Do not ship"}[story.decision]
    assert head.content == f"{word}: {story.profile} / {story.site}"
    rows = {row[0]: row for row in list_rows(tokens)}
    assert set(rows) == {"Stage", "Check", *(s.name for s in story.stages), *(c.name for c in story.checks)}
    words: dict[Outcome, str] = {"PASS": "✓ holds", "FAIL": "✗ fails", "INCONCLUSIVE": "○ open",
                                 "NOT_APPLICABLE": "– does not apply"}  # fmt: skip
    for one in (*story.stages, *story.checks):
        assert rows[one.name][1] == words[one.outcome]
    for stage in story.stages:
        took = rows[stage.name][2]
        assert took == "–" if stage.took_s is None else float(took.split()[0]) == pytest.approx(stage.took_s, abs=0.05)
    assert [t.content for t in tokens if t.type == "html_block"] == [
        f"<details><summary>Checks: {'19 do not apply' if name in PROVEN else '19 open'}</summary>\n", "</details>\n",
    ] or name in FAILED  # fmt: skip


@pytest.mark.parametrize("name", FAILED)
def test_what_failed_comes_with_its_cause_and_what_to_do(name: str) -> None:
    story = tell_recorded(name)
    shown = " ".join("".join(t.content for t in parse(render_markdown([story]), html=True)).split())
    cause = story.causes[0]
    for text in (cause.title, cause.sentence, cause.at_bench, cause.at_site, "Claims that fail"):
        assert " ".join(prose(text).replace("`", "").split()) in shown.replace("`", "")


@pytest.mark.parametrize("name", PROVEN)
def test_a_proven_run_takes_sixty_lines_at_most(name: str) -> None:
    story = tell_recorded(name)
    many = tuple(Unproven(f"c{n}", f"title {n}", "NOT_APPLICABLE", f"reason {n}") for n in range(40))
    assert story.proven
    for one in (story, replace(story, unproven=many)):
        assert render_markdown([one]).count("\n") <= 60
    assert "- and 32 more" in render_markdown([replace(story, unproven=many)])


@pytest.mark.parametrize("html", [True, False])
@pytest.mark.parametrize("name", PROVEN[:1] + FAILED)
def test_nothing_breaks_out(name: str, html: bool) -> None:
    story = make_hostile(tell_recorded(name))
    text = render_markdown([story, story])
    tokens = parse(text, html=html)
    kinds = {t.type for t in tokens}
    assert kinds.isdisjoint({"link_open", "image", "fence", "code_block", "em_open", "s_open", "ordered_list_open"})
    live = [t.content for t in tokens if t.type in ("html_block", "html_inline")]
    assert all(OUR_HTML.fullmatch(one) for one in live) and len(live) == (4 if html else 0)
    assert sum(t.type == "heading_open" for t in tokens) == 2 and sum(t.type == "hr" for t in tokens) == 1
    assert sum(t.type == "table_open" for t in tokens) == 4
    assert sum(t.type == "tr_open" for t in tokens) == 2 * (len(story.stages) + len(story.checks) + 2)
    ours = ("<details>", "</details>") if not html else ()
    assert not [one for one in list_texts(tokens) if READ_INTO.search(one) and not one.startswith(ours)]
    assert any("<script>alert(1)</script>" in t.content for t in tokens if t.type == "code_inline"), "shown as text"
    assert "\x1b" not in text and "\u202e" not in text and "\\u202e" in text


PUNCTUATION = "|`*_<>[]()!@#&:/\\~-+=.$%^'\"{};, \t\n\r\x1b\u202e\u200b\ufeff1aZé漢"


@given(st.text(PUNCTUATION, max_size=40) | st.text(max_size=30))
def test_any_text_is_shown_as_it_is(text: str) -> None:
    wanted = "".join(escape(text).replace("|", "\\x7c").split())
    for head, tail in (("x:", ""), ("", "x"), ("x", "")):
        tokens = parse(f"- {head} {prose(text)} {tail}", html=True)
        assert {t.type for t in tokens if t.type not in BLOCKS} <= {"text", "code_inline"}
        inner = "".join("".join(t.content for t in tokens if t.type in ("text", "code_inline")).split())
        assert inner == head + wanted + tail
    row = parse(f"| a | b |\n| --- | --- |\n| {prose(text)} | y |", html=True)
    assert ["".join(cell.split()) for cell in list(list_rows(row))[1]] == [wanted, "y"]


BLOCKS = {
    "bullet_list_open", "bullet_list_close", "list_item_open", "list_item_close", "paragraph_open", "paragraph_close",
    "inline",
}  # fmt: skip


CALLS = ("@all", "http://a.example", "see #1", "GH-12", "a www.a.example", "x:skull:", "1. x", "deadbeef1", "_a_")


@pytest.mark.parametrize("text", CALLS)
def test_what_a_forge_reads_something_into_is_code(text: str) -> None:
    tokens = parse(f"- {prose(text)}", html=True)
    assert any(t.type == "code_inline" for t in tokens)
    assert not any(READ_INTO.search(one) for one in list_texts(tokens))


def test_a_text_without_end_is_cut() -> None:
    assert len(prose("word " * 10_000)) <= LONGEST + 10 and prose("x" * 900).endswith("...")
