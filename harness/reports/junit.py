"""A verdict as JUnit XML, one suite a run, one case a stage and a check. Layer: reports, pure.

There is no official schema; shape as commonly read by CI systems (testmoapp/junitxml's description): `failure` for a
FAIL, `skipped` for what was not judged or does not apply, `error` never (a broken lab makes no verdict).
"""

from __future__ import annotations

from xml.etree import ElementTree as ET  # writing only; nothing is parsed here

from harness.core.model import Outcome, StageResult, Verdict
from harness.reports.text import explain_finding, explain_stage


def render_junit(verdict: Verdict, name: str) -> str:
    """Return the XML text of one run. `name` becomes the suite's name: ``profile / site``."""
    suite = ET.Element("testsuite", name=name)
    for stage in verdict.stages:
        _add_stage(suite, name, stage)
    for finding in verdict.checks:
        case = ET.SubElement(suite, "testcase", classname=f"{name}.checks", name=finding.check, time="0")
        _add_outcome(case, finding.outcome, finding.claim, explain_finding(finding))
    cases = suite.findall("testcase")
    suite.set("tests", str(len(cases)))
    suite.set("failures", str(len(suite.findall("testcase/failure"))))
    suite.set("errors", "0")
    suite.set("skipped", str(len(suite.findall("testcase/skipped"))))
    suite.set("time", f"{sum(s.took_s or 0 for s in verdict.stages):.3f}")
    root = ET.Element("testsuites")
    root.append(suite)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _add_stage(suite: ET.Element, name: str, stage: StageResult) -> None:
    case = ET.SubElement(
        suite, "testcase", classname=f"{name}.stages", name=stage.stage, time=f"{stage.took_s or 0:.3f}"
    )
    _add_outcome(case, stage.outcome, stage.summary, explain_stage(stage))


def _add_outcome(case: ET.Element, outcome: Outcome, message: str, text: str) -> None:
    if outcome == "FAIL":
        ET.SubElement(case, "failure", message=_legal(message), type="FAIL").text = _legal(text)
    elif outcome != "PASS":
        ET.SubElement(case, "skipped", message=_legal(f"{outcome}: {message}"))


def _legal(text: str) -> str:
    """Leave out what XML 1.0 (clause 2.2, Char) does not allow: a daemon's log may hold any control character."""
    return "".join(
        c for c in text if c in "\t\n\r" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff"
    )
