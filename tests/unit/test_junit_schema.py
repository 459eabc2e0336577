"""JUnit XML against the schema that CI systems check it by, and read back by a library of another house."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import xmlschema
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from junitparser import Failure, JUnitXml, Skipped, TestCase, TestSuite

from harness.core.model import Finding, Verdict
from harness.core.replay import replay
from harness.core.verdict import combine
from harness.reports.junit import render_junit, render_junit_stories
from tests.unit.told_runs import load, make_hostile, tell_recorded

SCHEMA = xmlschema.XMLSchema10(Path(__file__).parents[1] / "vectors" / "junit-10.xsd")
NAMES = ("brought_up-harbour-office", "apn_unknown-pier-kiosk")


def read(text: str) -> list[TestSuite]:
    """Validate and parse."""
    SCHEMA.validate(text)
    parsed = JUnitXml.fromstring(text.encode())
    return list(parsed)


def draw(name: str) -> Verdict:
    run = load(name)
    return combine(run.plan, replay(run.plan, run.tape), {})


@pytest.mark.parametrize("name", NAMES)
def test_a_verdict_is_valid_and_says_what_it_said(name: str) -> None:
    verdict = draw(name)
    (suite,) = read(render_junit(verdict, "kiosk / pier"))
    cases: list[TestCase] = list(suite)
    wanted = [s.outcome for s in verdict.stages] + [f.outcome for f in verdict.checks]
    kinds = {"PASS": None, "FAIL": Failure, "INCONCLUSIVE": Skipped, "NOT_APPLICABLE": Skipped}
    assert [type(c.result[0]) if c.result else None for c in cases] == [kinds[o] for o in wanted]
    assert (suite.tests, suite.failures, suite.errors) == (len(cases), wanted.count("FAIL"), 0)
    assert suite.skipped == sum(o in ("INCONCLUSIVE", "NOT_APPLICABLE") for o in wanted)
    took = [s.took_s or 0 for s in verdict.stages]
    assert [c.time for c in cases[: len(took)]] == pytest.approx(took, abs=0.001)
    assert suite.time == pytest.approx(sum(took), abs=0.01)


@pytest.mark.parametrize("name", NAMES)
def test_a_told_run_says_the_same_as_its_verdict(name: str) -> None:
    story = tell_recorded(name)
    (told,) = read(render_junit_stories([story]))
    (drawn,) = read(render_junit(draw(name), f"{story.profile} / {story.site}"))
    assert told.timestamp and told.timestamp.endswith("Z") and drawn.timestamp is None
    assert list(map(str, told)) == list(map(str, drawn)) and len(list(told)) > 8


def test_several_runs_are_as_many_suites() -> None:
    suites = read(render_junit_stories([tell_recorded(name) for name in NAMES]))
    assert [s.name for s in suites] == ["harbour-office / selwick-harbour", "pier-kiosk / ossay-pier"]
    without = replace(tell_recorded(NAMES[0]), zero_wall_ns=None)
    assert read(render_junit_stories([without]))[0].timestamp is None


def test_whatever_was_logged_it_is_valid() -> None:
    story = make_hostile(tell_recorded(NAMES[1]))
    (suite,) = read(render_junit_stories([story]))
    failed = [c for c in suite if any(isinstance(r, Failure) for r in c.result)]
    assert failed and "<script>alert(1)</script>" in failed[0].result[0].text


TEXTS = st.text(max_size=20) | st.text("ab() 2\x00\x1b\ud800\ufffe<&\"'\n", max_size=12)
FINDINGS = st.builds(
    Finding, check=st.sampled_from("ab"), outcome=st.sampled_from(["PASS", "FAIL", "NOT_APPLICABLE", "INCONCLUSIVE"]),
    claim=TEXTS | st.sampled_from(["x", "x (2)"]), expected=TEXTS, seen=TEXTS,
)  # fmt: skip


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # both judge the machine's load, not the code
@given(st.lists(FINDINGS, max_size=6), TEXTS)
def test_any_findings_make_valid_cases_of_different_names(findings: list[Finding], name: str) -> None:
    (suite,) = read(render_junit(Verdict(False, (), tuple(findings), {}), name))
    names = [c.name for c in suite]
    assert len(names) == len(findings) and len(set(names)) == len(names)
