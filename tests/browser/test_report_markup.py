"""The page as a file, without a browser: well-formed, closed in itself, and written by the command."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import html5lib
import pytest

from harness.page import words
from harness.page.columns import list_columns, list_observations, pack
from harness.page.drawing import TALL, WIDE, draw, find_state, lay_out_strip
from harness.page.render import render_page
from harness.story.model import Span, Story, Unproven
from tests.browser.stories import HOSTILE, HOSTILE_SEEN, build_empty, build_failing, build_hostile, build_proven
from tests.unit.told_runs import load, write_folder

HTML = "{http://www.w3.org/1999/xhtml}"


def unpack(packed: str) -> Any:
    return json.loads(gzip.decompress(base64.b64decode(packed)))


@pytest.mark.parametrize("stories", [[build_proven()], [build_failing(), build_proven()], [build_hostile()]])
def test_the_page_is_html_by_the_letter(stories: Sequence[Story]) -> None:
    parser = html5lib.HTMLParser(strict=True, tree=html5lib.getTreeBuilder("etree"))
    root = parser.parse(render_page(stories))  # strict: any parse error raises
    ids = [one.get("id") for one in root.iter() if one.get("id")]
    assert len(ids) == len(set(ids))
    titles = root.findall(f".//{HTML}h1")
    assert len(titles) == len(stories) + (len(stories) > 1)


@pytest.mark.parametrize("stories", [[build_proven()], [build_hostile(), build_failing()]])
def test_its_policy_allows_its_own_script_and_style_and_nothing_else(stories: Sequence[Story]) -> None:
    text = render_page(stories)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy
    rules = dict(rule.split(" ", 1) for rule in policy[1].replace("&#39;", "'").split("; "))
    assert set(rules) == {"default-src", "style-src", "script-src", "base-uri", "form-action"}
    assert {rules[name] for name in ("default-src", "base-uri", "form-action")} == {"'none'"}
    for name, element in (("style-src", "style"), ("script-src", "script")):
        inline = re.findall(rf"<{element}>(.*?)</{element}>", text, re.DOTALL)
        assert len(inline) == 1
        digest = base64.b64encode(hashlib.sha256(inline[0].encode()).digest()).decode()
        assert rules[name] == f"'sha256-{digest}'"
    root = html5lib.parse(text, treebuilder="etree")
    for one in root.iter():
        assert not [name for name in one.attrib if name.startswith("on") or name in ("src", "style", "srcset")]
        assert (one.get("href") or "#").startswith("#")


def test_every_text_of_a_hostile_run_is_escaped_and_visible() -> None:
    text = render_page([build_hostile()])
    assert HOSTILE not in text
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2066-\u2069]", text)
    root = html5lib.parse(text, treebuilder="etree")
    assert not root.findall(f".//{HTML}img")
    assert "".join(root.itertext()).count(HOSTILE_SEEN) > 60


def test_packed_columns_give_back_every_event() -> None:
    story = build_failing()
    columns = unpack(pack(list_columns(story)))["events"]
    at = 0
    for place, event in enumerate(story.events):
        at += columns["at"][place]
        assert at == round(event.at_s * 1e6)
        assert (columns["text"][place], columns["pointer"][place]) == (event.text, event.pointer)
        assert columns["number"][place] == (-1 if event.number is None else event.number)
        for name in ("lane", "node", "kind", "stage", "decides"):
            assert columns[name]["words"][columns[name]["places"][place]] == getattr(event, name)
    assert pack(list_columns(story)) == pack(list_columns(story))


def test_packed_observations_read_as_json_with_nothing_hidden() -> None:
    told = list_observations(build_hostile())
    assert len(told) == len(build_hostile().observations)
    assert json.loads(list_observations(build_failing())[4]) == build_failing().observations[4]
    for one in told:
        assert all(line.isprintable() for line in one.split("\n"))
        assert "\\u202e" in one


def test_drawing_has_every_node_and_each_line_between_two_of_them() -> None:
    story = build_proven()
    for shape in (WIDE, TALL):
        drawing = draw(story, shape)
        assert {b.part.name for b in drawing.boxes} == {p.name for p in story.parts if p.kind == "node"}
        assert {line.part.name for line in drawing.lines} == {"bearer", "tunnel", "lan1"}
        for box in drawing.boxes:  # none over the edge, none over another
            assert box.width / 2 <= box.x <= drawing.width - box.width / 2
            assert shape.height / 2 <= box.y <= drawing.height - shape.height / 2
            near = [b for b in drawing.boxes if abs(b.x - box.x) < box.width and abs(b.y - box.y) < shape.height]
            assert near == [box]


def test_state_is_of_the_span_that_covers_the_instant() -> None:
    spans = (Span(1.0, 2.0, "up", ""), Span(2.0, 3.0, "down", ""), Span(4.0, None, "up", ""))
    seen = [find_state(spans, at_s) for at_s in (0.5, 1.0, 2.0, 3.5, 4.0, 99.0)]
    assert seen == ["not seen", "up", "down", "not seen", "up", "up"]
    strip = lay_out_strip(spans, 0.0, 10.0)
    assert [(round(s.x), round(s.width)) for s in strip] == [(100, 100), (200, 100), (400, 600)]


def test_what_was_not_proven_is_grouped_by_reason_what_is_open_first() -> None:
    listed = (
        Unproven("a", "A", "NOT_APPLICABLE", "not set"),
        Unproven("b", "B", "INCONCLUSIVE", "blocked"),
        Unproven("c", "", "INCONCLUSIVE", "blocked"),
    )
    assert [(g.outcome, g.why, g.titles) for g in words.group_unproven(listed)] == [
        ("INCONCLUSIVE", "blocked", ("B", "c")),
        ("NOT_APPLICABLE", "not set", ("A",)),
    ]


def test_only_what_differs_is_compared_and_a_run_without_it_says_so() -> None:
    good, bad = build_proven(), build_failing()
    assert [d.name for d in words.compare_checks([good, bad])] == ["matrix"]
    assert words.compare_checks([good, good]) == ()
    assert [d.name for d in words.compare_stages([good, bad])] == [s.name for s in good.stages]


ODD_FACTS: tuple[dict[str, Any], ...] = ({}, {"means": None}, {"means": "x"}, {"means": [1, {}]}, {"a": {"b": [{}]}})


@pytest.mark.parametrize("facts", ODD_FACTS)
def test_facts_of_any_shape_are_shown(facts: dict[str, Any]) -> None:
    assert "Ship" in render_page([replace(build_proven(), facts=facts)])


def test_a_run_of_which_nothing_was_seen_is_told() -> None:
    text = render_page([build_empty()])
    html5lib.HTMLParser(strict=True).parse(text)
    assert "No cell of a reach matrix" in text


def test_a_page_of_no_run_is_refused() -> None:
    with pytest.raises(ValueError, match="one run at least"):
        render_page([])


# ---------------------------------------------------------------- the command

NAME = "brought_up-harbour-office"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = load(NAME)
    return write_folder(tmp_path_factory.mktemp("runs") / "run-1", found.plan, found.tape)


def report(*args: object, **environment: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "harness.cli", "report", *map(str, args)]
    around = {name: value for name, value in os.environ.items() if not name.startswith("OTEL_")} | environment
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, env=around)


def test_the_page_is_written_beside_the_run_and_opened(run: Path, tmp_path: Path) -> None:
    shown = tmp_path / "shown"
    browser = tmp_path / "browser"
    browser.write_text(f'#!/bin/sh\necho "$1" > {shown}\n')
    browser.chmod(0o755)
    done = report(run, "--open", BROWSER=f"{browser} %s")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"{run}/report.html\n", "")
    assert (run / "report.html").read_text("utf-8").startswith("<!DOCTYPE html>")
    assert shown.read_text().strip() == (run / "report.html").as_uri()


def test_every_format_is_written_once_and_traces_go_where_they_were_sent(run: Path, tmp_path: Path) -> None:
    asked: list[str] = []

    class Collector(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked.append(self.path)
            self.rfile.read(int(self.headers["Content-Length"]))
            self.send_response(200)
            self.send_header("Content-Type", "application/x-protobuf")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002  # the name that the library gives it
            """Say nothing: the test's output is its own."""

    server = HTTPServer(("127.0.0.1", 0), Collector)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        to = f"http://127.0.0.1:{server.server_port}/v1/traces"
        formats = "json", "markdown", "junit", "otlp", "json"
        done = report(run, "--out", tmp_path / "out", "--format", *formats, "--to", to)
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert (done.returncode, done.stderr) == (0, "")
    names = ["report.json", "report.md", "report.junit.xml", "trace.otlp.jsonl"]
    assert done.stdout.splitlines() == [*(f"{tmp_path}/out/{n}" for n in names), f"sent run-1 to {to}"]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(names)
    assert asked == ["/v1/traces"]


def test_several_runs_are_one_page_and_a_trace_each(run: Path, tmp_path: Path) -> None:
    other = tmp_path / "run-2"
    shutil.copytree(run, other)
    done = report(run, other, "--out", tmp_path, "--format", "html", "otlp")
    assert done.returncode == 0
    assert done.stdout.splitlines()[0] == f"{tmp_path}/report.html"
    assert "2 runs side by side" in (tmp_path / "report.html").read_text("utf-8")
    for name in ("run-1", "run-2"):
        assert (tmp_path / f"{name}.trace.otlp.jsonl").is_file()


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["{run}", "--open", "--format", "json"], "--open: expected html among the formats"),
        (["{run}", "--to", "http://127.0.0.1:1"], "--to: expected otlp among the formats"),
        (["{run}", "--out", "{run}/plan.json"], "expected a folder, saw a file"),
        (["{run}", "{run}", "--out", "{run}", "--format", "otlp"], "expected runs of different names"),
        (["{run}/none"], "expected a run's folder"),
    ],
)
def test_bad_input_is_refused_with_2_and_writes_nothing(run: Path, args: list[str], said: str) -> None:
    before = sorted(p.name for p in run.parent.rglob("*"))
    done = report(*(a.format(run=run) for a in args))
    assert done.returncode == 2
    assert said in done.stderr
    assert sorted(p.name for p in run.parent.rglob("*")) == before
