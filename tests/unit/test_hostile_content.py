"""One run whose every foreign word is hostile, through every output, each read by somebody else's reader.

What each format does at length is in its own tests; here one folder goes through all of them, as the commands write
them. In a browser: tests/browser. Hostile words come from a profile, logs, names, answers and reasons, and from files
beside the tape; they would run as a script, act on a terminal, turn text around, forge a line, or end a cell.
"""

from __future__ import annotations

import io
import json
import re
import struct
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import html5lib
import pytest
from markdown_it import MarkdownIt
from rich.console import Console

from emulators.common.record import to_json
from harness.core.model import Finding, Observation, Plan, TapeEntry
from harness.core.replay import replay
from harness.core.verdict import combine
from harness.progress import Progress
from harness.reports.clauses import Run, render_clauses
from harness.reports.escape import escape
from harness.reports.text import render_stages, render_verdict
from harness.show.showing import Show
from tests.unit.told_runs import load, write_folder

MARKUP = "</script><script>window.pwned=1</script><img src=x onerror=window.pwned=1>"
ACTS = "\x1b[31m\x1b]8;;http://evil.example\x1b\\\x1b]0;t\x07\x9b2J\x85\u202e\u2066\u200b\x00\ud800\r\nPROVEN forged"
MARKS = " ]]> | ` ``` @all =cmd() [red]x[/red] :skull:"
HOSTILE = f"{MARKUP}{ACTS}{MARKS}"
HIDDEN = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff]")
"""Whatever acts on a terminal or is not seen; line feeds are lines."""
FOLDER_NAME = "run\x1b[2J\u202e]]> @all `x` <b>"
CAPTURE = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 2000, 1) + struct.pack("<IIII", 1, 0, 14, 14) + bytes(14)


def poison(value: Any) -> Any:
    """Return a value with hostile words in place of each text that no judge goes by."""
    if isinstance(value, Mapping):
        return {key: HOSTILE if key in FREE and isinstance(v, str) else poison(v) for key, v in value.items()}
    return [poison(one) for one in value] if isinstance(value, list | tuple) else value


FREE = ("detail", "text", "hostname", "app", "summary", "error", "line", "cause_name", "structured")
"""Fields that say something in somebody's own words."""


def make_plan(plan: Plan) -> Plan:
    return replace(plan, branch=replace(plan.branch, profile=HOSTILE, site=HOSTILE, owner=HOSTILE, hostname=HOSTILE))


def make_tape(tape: tuple[TapeEntry, ...]) -> tuple[TapeEntry, ...]:
    found = [e if e.observation is None else replace(e, observation=_spoil(e.observation)) for e in tape]
    last = next(e for e in reversed(found) if e.observation is not None)
    assert last.observation is not None
    logged = {"facility": 10, "severity": 4, "hostname": HOSTILE, "app": HOSTILE, "text": HOSTILE, "source": HOSTILE}
    more = (
        replace(last.observation, source="hq-endpoint", part="core", kind="log.received", data=logged),
        replace(last.observation, source="router", part="runtime", kind=HOSTILE, data={HOSTILE: HOSTILE}),
        replace(last.observation, source=HOSTILE, part=HOSTILE, kind="node.failed", data={"error": HOSTILE}),
    )
    return (*found, *(replace(last, observation=one, number=None) for one in more))


def _spoil(seen: Observation) -> Observation:
    return replace(seen, data=poison(seen.data))


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a run that was stopped by another key at HQ, every foreign word in it hostile."""
    found = load("wrong_psk-pier-kiosk")
    plan, tape = make_plan(found.plan), make_tape(found.tape)
    folder = write_folder(tmp_path_factory.mktemp("runs") / FOLDER_NAME, plan, tape)
    for name in ("nodes", "captures"):
        (folder / name).mkdir()
    (folder / "nodes" / "hq-gateway.log").write_bytes(
        b"".join(f"{at:.6f} {HOSTILE}\n".encode("utf-8", "surrogatepass") for at in (2.0, 3.0)) + b"4.000000 \xff\xfe\n"
    )
    (folder / "captures" / "carrier-gtp0.pcap").write_bytes(CAPTURE)
    verdict = combine(plan, replay(plan, tape), {"profile_digest": HOSTILE, "means": [{"what": HOSTILE}]})
    told = to_json(verdict)
    for one in (*told["stages"], *told["checks"]):
        one |= {key: HOSTILE for key in ("summary", "claim", "expected", "seen") if key in one}
    told["checks"][0]["outcome"] = "INCONCLUSIVE"
    (folder / "verdict.json").write_text(json.dumps(told))
    faults = {"faults": ["wrong_psk", HOSTILE], "outcome": HOSTILE, "expected": HOSTILE, "seen": HOSTILE}
    (folder / "faults.json").write_text(json.dumps(faults))
    return folder


@pytest.fixture(scope="module")
def out(run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the report command writes of it, in all formats; its own words are held here."""
    folder = tmp_path_factory.mktemp("out")
    formats = ("html", "json", "markdown", "junit", "otlp", "pcapng")
    done = command("report", run, "--out", folder, "--format", *formats)
    assert done.returncode == 0, done.stderr
    hold(done.stdout)
    return folder


def command(*args: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "harness.cli", *map(str, args)],
        capture_output=True, text=True, encoding="utf-8", errors="surrogateescape", check=False, timeout=300,
    )  # fmt: skip


def hold(text: str) -> None:
    """Nothing acts on a terminal or hides, and no line begins with what a hostile word says."""
    found = HIDDEN.search(text)
    assert found is None, repr(text[max(0, found.start() - 60) : found.end() + 20])
    assert not re.search(r"^\W*PROVEN forged", text, re.MULTILINE)


# ---------------------------------------------------------------- terminals


@pytest.mark.parametrize("args", [("timeline",), ("explain",), ("explain", "--all"), ("clauses",)])
def test_a_command_shows_hostile_words_and_none_acts(run: Path, args: tuple[str, ...]) -> None:
    done = command(args[0], run, *args[1:])
    assert done.returncode == 0, done.stderr
    hold(done.stdout + done.stderr)
    assert "window.pwned" in done.stdout


def test_compared_with_a_run_that_is_not_hostile(run: Path, tmp_path: Path) -> None:
    found = load("wrong_psk-pier-kiosk")
    other = write_folder(tmp_path / "other", found.plan, found.tape)
    done = command("compare", run, other)
    assert done.returncode == 1, done.stderr
    hold(done.stdout)
    assert "window.pwned" in done.stdout


@pytest.mark.parametrize("name", ["timeline", "explain", "report", "show"])
def test_a_complaint_about_a_hostile_name_is_text(tmp_path: Path, name: str) -> None:
    done = command(name, tmp_path / "\x1b[2J\u202e\nPROVEN forged")
    assert done.returncode == 2
    found = HIDDEN.search(done.stderr)
    assert found is None and r"\x1b[2J\u202e" in done.stderr


def test_a_complaint_about_a_hostile_profile_is_text(tmp_path: Path) -> None:
    profile = tmp_path / "hostile.yaml"
    profile.write_text('profile: "a\\e[2J\\u202E</script>"\n"\\e]0;x\\a": 1\n')
    done = command("prove", profile)
    assert done.returncode == 2 and r"\x1b" in done.stderr
    assert HIDDEN.search(done.stderr) is None


@pytest.mark.parametrize("is_terminal", [False, True])
def test_a_proof_under_way_says_hostile_words_as_text(is_terminal: bool) -> None:
    found = load("wrong_psk-pier-kiosk")
    machine = replay(make_plan(found.plan), make_tape(found.tape))
    said = io.StringIO()
    console = Console(file=said, force_terminal=is_terminal, width=80, color_system=None)
    with Progress(console, time.monotonic_ns) as one:
        one.on_progress(machine)
    text = re.sub(r"\x1b\[(\?25[lh]|\d*[AK]|2K)|\r", "", said.getvalue())  # the live line's own: cursor, erased lines
    hold(text)
    assert "window.pwned" in text and "tunnel_up" in text


def test_closing_lines_say_hostile_words_as_text() -> None:
    plan = make_plan(load("wrong_psk-pier-kiosk").plan)
    verdict = combine(plan, replay(plan, make_tape(load("wrong_psk-pier-kiosk").tape)), {"left_out": [HOSTILE]})
    finding = Finding("c", "INCONCLUSIVE", HOSTILE, HOSTILE, HOSTILE, ())
    told = replace(verdict, proven=True, checks=(finding,))
    hold(render_verdict(told, HOSTILE, 1.0))
    hold(render_stages(verdict.stages))
    hold(render_clauses([Run(HOSTILE, told, {"c": ("PCI DSS 4.0.1 1.3.1",)})]))


# ---------------------------------------------------------------- files


def test_the_page_holds_no_element_of_theirs(out: Path) -> None:
    text = (out / "report.html").read_text("utf-8")
    assert HIDDEN.search(text) is None
    root = html5lib.HTMLParser(strict=True, tree=html5lib.getTreeBuilder("etree")).parse(text)
    tags = [str(one.tag).rpartition("}")[2] for one in root.iter()]
    assert "img" not in tags
    assert tags.count("script") == 3  # data, observations, and the page's own
    assert not [name for one in root.iter() for name in one.attrib if name.startswith("on")]
    assert escape(MARKUP) in "".join(root.itertext())


def test_json_is_read_back_word_for_word(out: Path) -> None:
    text = (out / "report.json").read_text("utf-8")
    assert HIDDEN.search(text) is None
    (story,) = json.loads(text)["stories"]
    assert (story["profile"], story["site"], story["run"]) == (HOSTILE, HOSTILE, FOLDER_NAME)


@pytest.mark.parametrize("html", [False, True])
def test_markdown_has_no_html_but_ours(out: Path, html: bool) -> None:
    text = (out / "report.md").read_text("utf-8")
    hold(text)
    parser = MarkdownIt("commonmark", {"html": html}).enable(["table", "strikethrough"])
    tokens = [one for token in parser.parse(text) for one in (token, *(token.children or ()))]
    ours = re.compile(r"\s*(</?details>|<details><summary>[\w :,]+</summary>)\s*")
    assert [t.content for t in tokens if t.type.startswith("html") and not ours.fullmatch(t.content)] == []
    assert [t.type for t in tokens if t.type in ("image", "link_open")] == []
    assert "window.pwned" in "".join(t.content for t in tokens)


def test_junit_is_xml_and_says_it(out: Path) -> None:
    text = (out / "report.junit.xml").read_text("utf-8")
    hold(text)
    root = ET.fromstring(text)
    assert {one.tag for one in root.iter()} <= {"testsuites", "testsuite", "testcase", "failure", "skipped"}
    assert MARKUP in root[0].attrib["name"]


def test_a_trace_says_it_escaped(out: Path) -> None:
    def texts(value: Any) -> Iterator[str]:
        if isinstance(value, str):
            yield value
        for one in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
            yield from texts(one)

    found = [t for line in (out / "trace.otlp.jsonl").read_text().splitlines() for t in texts(json.loads(line))]
    assert any(MARKUP in one for one in found)
    assert [one for one in found if HIDDEN.search(one)] == []


def test_comments_of_a_capture_say_it_escaped(out: Path) -> None:
    done = subprocess.run(["capinfos", "-k", str(out / "marked.pcapng")], capture_output=True, check=False, timeout=60)
    assert done.returncode == 0
    text = done.stdout.decode("utf-8")
    assert MARKUP in text and HIDDEN.search(text.replace("\t", " ")) is None


# ---------------------------------------------------------------- the live page


def test_every_text_of_a_scene_is_visible(run: Path) -> None:
    show = Show({"hostile": run}, even=False)
    try:
        show.open_run(run)
        show.act({"act": "start"})
        scene = _play(show)
    finally:
        show.close()
    text = json.dumps(scene, ensure_ascii=False)
    assert HIDDEN.search(text) is None
    assert scene["phase"] == "over" and MARKUP in scene["messages"][-1]["text"]
    assert MARKUP in scene["profile"]


def _play(show: Show) -> Any:
    """Bring a show to its end; a tape is read by a thread, so that this is asked again until it is."""
    deadline_s = time.monotonic() + 120  # of a slow machine: it protects us, and judges nothing
    now_ns = 0
    while time.monotonic() < deadline_s:
        show.tick(now_ns)
        if show.phase in ("over", "broken"):
            break
        if "seek" in show.acts:
            show.act({"act": "seek", "at_s": 1e6})
        now_ns += 100_000_000
        time.sleep(0.01)  # between two looks
    return to_json(show.build_scene())
