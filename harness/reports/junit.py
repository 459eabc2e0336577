"""Verdicts as JUnit XML, one suite a run, one case a stage and a claim. Layer: reports, pure.

There is no official schema; shape as commonly read by CI systems (testmoapp/junitxml's description) and as the XSD of
the xunit plugin has it (tests/vectors): `failure` for a FAIL, `skipped` for what was not judged or does not apply,
`error` never (a broken lab makes no verdict). No two cases of a suite have one name: CI systems show one of them only.
Texts are escaped: what XML 1.0 (clause 2.2, Char) does not allow is shown all the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from itertools import count
from xml.etree import ElementTree as ET  # writing only; nothing is parsed here

from harness.core.model import Finding, Outcome, StageResult, Verdict
from harness.reports.escape import escape_lines
from harness.reports.text import explain_finding, explain_stage
from harness.story.model import StageView, Story


def render_junit(verdict: Verdict, name: str) -> str:
    """Return the XML text of one run. `name` becomes the suite's name: ``profile / site``."""
    return _render([_build_suite(name, verdict.stages, verdict.checks)])


def render_junit_stories(stories: Iterable[Story]) -> str:
    """Return the XML text of told runs, one suite each."""
    return _render([_build_story_suite(story) for story in stories])


def _build_story_suite(story: Story) -> ET.Element:
    findings = [f for check in story.checks for f in check.findings]
    suite = _build_suite(f"{story.profile} / {story.site}", [_to_result(s) for s in story.stages], findings)
    if story.zero_wall_ns is not None:
        suite.set("timestamp", datetime.fromtimestamp(story.zero_wall_ns // 10**9, UTC).strftime("%Y-%m-%dT%H:%M:%SZ"))
    return suite


def _to_result(view: StageView) -> StageResult:
    return StageResult(view.name, view.outcome, view.took_s, view.budget_s, view.summary, view.findings, view.evidence)


def _render(suites: Sequence[ET.Element]) -> str:
    root = ET.Element("testsuites")
    root.extend(suites)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _build_suite(name: str, stages: Sequence[StageResult], findings: Sequence[Finding]) -> ET.Element:
    name = escape_lines(name)
    suite = ET.Element("testsuite", name=name)
    for stage in stages:
        _add_stage(suite, name, stage)
    for finding, label in zip(findings, _name_cases(findings), strict=True):
        case = ET.SubElement(suite, "testcase", classname=f"{name}.checks", name=label, time="0")
        _add_outcome(case, finding.outcome, finding.claim, explain_finding(finding))
    cases = suite.findall("testcase")
    suite.set("tests", str(len(cases)))
    suite.set("failures", str(len(suite.findall("testcase/failure"))))
    suite.set("errors", "0")
    suite.set("skipped", str(len(suite.findall("testcase/skipped"))))
    suite.set("time", f"{sum(s.took_s or 0 for s in stages):.3f}")
    return suite


def _name_cases(findings: Sequence[Finding]) -> list[str]:
    """Return a name for each finding: its check's; with its claim where there are several; counted where these are the
    same, too."""
    claims = Counter(f.check for f in findings)
    names: dict[str, None] = {}
    for finding in findings:
        name = escape_lines(finding.check if claims[finding.check] == 1 else f"{finding.check}: {finding.claim}")
        spare = (f"{name} ({n})" for n in count(2))
        names[name if name not in names else next(s for s in spare if s not in names)] = None
    return list(names)


def _add_stage(suite: ET.Element, name: str, stage: StageResult) -> None:
    case = ET.SubElement(
        suite, "testcase", classname=f"{name}.stages", name=stage.stage, time=f"{stage.took_s or 0:.3f}"
    )
    _add_outcome(case, stage.outcome, stage.summary, explain_stage(stage))


def _add_outcome(case: ET.Element, outcome: Outcome, message: str, text: str) -> None:
    if outcome == "FAIL":
        ET.SubElement(case, "failure", message=escape_lines(message), type="FAIL").text = escape_lines(text)
    elif outcome != "PASS":
        ET.SubElement(case, "skipped", message=escape_lines(f"{outcome}: {message}"))
