"""Run folder and reports: no secret gets through; JUnit parses as XML whatever a log said."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness import app
from harness.core.model import Finding, Observation, StageResult, Verdict
from harness.core.sample import build_plan
from harness.errors import InputError, LabError
from harness.pytest_items import list_judged
from harness.reports.junit import render_junit
from harness.reports.text import WIDTH, render_verdict, stage_line
from harness.run_folder import Scrubber, load_run, render_at_transcript

TEXTS = st.text(max_size=60)
FINDINGS = st.builds(
    Finding,
    check=st.just("c"),
    outcome=st.sampled_from(["PASS", "FAIL", "NOT_APPLICABLE", "INCONCLUSIVE"]),
    claim=TEXTS,
    expected=TEXTS,
    seen=TEXTS,
)


@given(st.text(min_size=6, max_size=40), st.binary(max_size=60), st.binary(max_size=60))
def test_a_secret_is_struck_out_raw_and_in_json(secret: str, before: bytes, after: bytes) -> None:
    raw = secret.encode()
    quoted = json.dumps({"line": f"x{secret}y"}).encode()
    for content in (before + raw + after, quoted):
        clean = Scrubber([secret]).scrub(content)
        assert len(clean) == len(content)
        if set(raw) != {ord("*")}:
            assert raw not in clean
    assert json.dumps(secret)[1:-1].encode() not in Scrubber([secret]).scrub(quoted) or set(raw) == {ord("*")}


@given(st.lists(FINDINGS, max_size=3), TEXTS)
def test_junit_is_xml_whatever_was_logged(findings: list[Finding], summary: str) -> None:
    stage = StageResult("tunnel_up", "FAIL", None, 20, summary, tuple(findings))
    verdict = Verdict(False, (stage,), tuple(findings), {})
    suite = ET.fromstring(render_junit(verdict, "kiosk / pier")).find("testsuite")
    assert suite is not None
    assert int(suite.attrib["tests"]) == 1 + len(findings)
    assert int(suite.attrib["failures"]) == 1 + sum(f.outcome == "FAIL" for f in findings)


@given(TEXTS.filter(lambda t: t == t.strip()), st.floats(0, 9999) | st.none())
def test_a_stage_line_fits_80_columns(summary: str, took_s: float | None) -> None:
    words = " ".join(word[:30] for word in summary.split())
    line = stage_line(StageResult("wan_obtained", "PASS", took_s, 30, words, ()))
    assert all(len(part) <= WIDTH for part in line.splitlines())


def test_the_closing_line_counts() -> None:
    stage = StageResult("powered", "PASS", 0.4, 10, "slot a", ())
    checks = (Finding("a", "PASS", "", "", ""), Finding("b", "NOT_APPLICABLE", "", "", ""))
    assert render_verdict(Verdict(True, (stage,), checks, {}), "kiosk / pier", 18.24) == (
        "PROVEN  kiosk / pier: 1 of 1 stages, 1 of 1 checks, 18.2 s"
    )


def test_the_closing_line_says_what_was_not_tried() -> None:
    stage = StageResult("powered", "PASS", 1.0, 5.0, "", ())
    assert render_verdict(Verdict(True, (stage,), (), {"until": "powered"}), "kiosk / pier", 3.0) == (
        "PROVEN as far as powered  kiosk / pier: 1 of 1 stages, 0 of 0 checks, 3.0 s"
    )


def test_a_claim_that_does_not_apply_hides_none_that_failed() -> None:
    findings = [Finding("c", "NOT_APPLICABLE", "", "", "r"), Finding("c", "INCONCLUSIVE", "", "", "o")]
    findings += [Finding("c", "FAIL", "", "", "f"), Finding("c", "PASS", "", "", "p")]
    machine: Any = SimpleNamespace(results=tuple, findings=lambda: findings)
    assert [outcome for outcome, _, _ in list_judged(machine, "c")] == ["FAIL", "INCONCLUSIVE", "PASS"]


def _session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lab_start: Any) -> app.Session:
    lab = SimpleNamespace(start=lab_start, collect=tuple, stop=lambda keep=False: None, made_secrets={})
    monkeypatch.setattr(app, "DockerLab", lambda plan, secrets, run_id, whole: lab)
    monkeypatch.setattr(app, "sweep", lambda attempts: ())
    return app.Session(build_plan(), {"env:X": "hunter2-hunter2"}, app.Options(tmp_path))


def test_no_secret_in_a_lab_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise LabError(expected="a node", seen="last log lines:\npsk hunter2-hunter2", where="node", hint="look")

    with _session(tmp_path, monkeypatch, fail) as session, pytest.raises(LabError) as caught:
        session.start()
    assert "psk ***************" in str(caught.value) and "hunter2" not in str(caught.value)


def test_an_out_folder_that_cannot_be_is_bad_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="--out"):
        _session(tmp_path / "file", monkeypatch, tuple)


def test_at_transcript_counts_from_power_on() -> None:
    def seen(kind: str, at_s: float, line: str) -> Observation:
        return Observation("router", "modem", kind, int(at_s * 1e9), 0, 0, 0, {"line": line})

    lines = [
        seen("boot.started", 10.0, ""),
        seen("at.command", 10.5, "AT+CPIN?"),
        seen("at.response", 10.75, "+CPIN: READY"),
    ]
    assert render_at_transcript(lines) == "    0.500 > AT+CPIN?\n    0.750 < +CPIN: READY\n"


def test_a_folder_that_is_no_run_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"plan\.json"):
        load_run(tmp_path)
