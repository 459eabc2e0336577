"""The clause map and its report: what counts as evidence, what does not, and what it says of itself."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from emulators.common.controls import Lockout, Passwords
from emulators.common.record import to_json
from harness.core.clauses import CLAUSES, find_unknown
from harness.core.model import Finding, Outcome, Verdict
from harness.core.registry import load_checks
from harness.core.sample import build_plan
from harness.core.sections import Administration
from harness.reports.clauses import Run, gather, render_clauses

WALL, LOG = "PCI DSS 4.0.1 1.3.1", "45 CFR 164.312(b)"
CLAUSES_OF = {"walls": (WALL,), "logs": (LOG, "NIST SP 800-53 AU-2"), "doors": (WALL,)}


def finding(check: str, outcome: Outcome, evidence: tuple[int, ...] = (), seen: str = "seen") -> Finding:
    return Finding(check, outcome, "a claim", "expected", seen, evidence)


def run(*findings: Finding, name: str = "kiosk / north (r1)", proven: bool = True) -> Run:
    return Run(name, Verdict(proven, (), findings, {}), CLAUSES_OF)


def test_ids_are_of_three_families_and_a_well_known_shape() -> None:
    shapes = (r"PCI DSS 4\.0\.1 \d{1,2}(\.\d+){2,3}", r"45 CFR 164\.312(\([a-e]\))(\(\d\))?(\([ivx]+\))?",
              r"NIST SP 800-53 [A-Z]{2}-\d+(\(\d+\))?")  # fmt: skip
    for clause, title in CLAUSES.items():
        assert any(re.fullmatch(shape, clause) for shape in shapes), clause
        assert 5 < len(title) < 100 and not title.endswith("."), clause
    assert find_unknown([WALL, "PCI DSS 4.0.1 99.9"]) == ("PCI DSS 4.0.1 99.9",)


def test_the_security_rule_is_whole() -> None:
    """45 CFR 164.312 has these; the emergency procedure left out: it is no machine's."""
    given = {clause.removeprefix("45 CFR 164.312") for clause in CLAUSES if clause.startswith("45 CFR")}
    assert given == {"(a)(1)", "(a)(2)(i)", "(a)(2)(iii)", "(a)(2)(iv)", "(b)", "(c)(1)", "(c)(2)", "(d)", "(e)(1)",
                     "(e)(2)(i)", "(e)(2)(ii)"}  # fmt: skip


def test_a_clause_has_the_checks_of_every_run() -> None:
    first = run(finding("walls", "PASS", (7, 3)), finding("walls", "PASS", (9,)), finding("doors", "FAIL", (4,)))
    second = run(finding("walls", "PASS", (1,)), name="kiosk / south (r2)")
    gathered = gather([first, second])
    assert [(e.run, e.check, e.outcome, e.held, e.claims, e.observations) for e in gathered[WALL]] == [
        (1, "walls", "PASS", 2, 2, (3, 7, 9)),
        (1, "doors", "FAIL", 0, 1, (4,)),
        (2, "walls", "PASS", 1, 1, (1,)),
    ]
    assert gathered[LOG] == () and set(gathered) == set(CLAUSES)


@pytest.mark.parametrize("outcome", ["NOT_APPLICABLE", "INCONCLUSIVE"])
def test_what_was_not_judged_is_no_evidence(outcome: Outcome) -> None:
    text = render_clauses([run(finding("logs", outcome, seen="no log server is set"))])
    with_some, without = text.split("NO EVIDENCE")
    assert LOG not in with_some and f"{LOG} " in without and "run 1, logs: no log server is set" in without
    assert f"({len(CLAUSES)} of {len(CLAUSES)} clauses" in without


def test_one_claim_left_open_leaves_the_check_open() -> None:
    (evidence,) = gather([run(finding("logs", "PASS", (1,)), finding("logs", "INCONCLUSIVE", (), "gone"))])[LOG]
    assert (evidence.outcome, evidence.shows, evidence.reason) == ("INCONCLUSIVE", False, "gone")


@pytest.mark.parametrize(
    ("administration", "kept"),
    [
        (
            (Lockout(10, 60.0, 1800.0), Passwords("own", 12, 64, ("letter", "digit"), 4, True)),
            True,
        ),  # PCI's very limits
        ((Lockout(11, 60.0, 1799.0), Passwords("nist-sp-800-63b", 8, 64, (), 0, True)), False),
    ],
)
def test_limits_wider_than_the_clause_are_no_evidence_for_it(
    administration: tuple[Lockout, Passwords], kept: bool
) -> None:
    """PCI DSS 4.0.1 8.3.4 (10 attempts, 30 minutes), 8.3.6 (12 characters, both kinds), 8.3.7 (the last four)."""
    plan = build_plan(administration=Administration("operator", ("hq",), ("key", "password"), *administration))
    bearing = {one for c in load_checks() for one in c.clauses if c.bears_on(plan, one)}
    limited = {f"PCI DSS 4.0.1 8.3.{n}" for n in (4, 6, 7)}
    assert bearing & limited == (limited if kept else set())
    assert "NIST SP 800-53 AC-7" in bearing and "NIST SP 800-53 IA-5(1)" in bearing


def test_the_report_says_what_it_is_and_keeps_to_its_width() -> None:
    many = run(finding("walls", "PASS", tuple(range(40))), proven=False)
    text = render_clauses([many])
    flat = " ".join(text.split())
    assert text.startswith("EVIDENCE BY CLAUSE\nThis is evidence for an assessor, not an attestation.")
    assert "1 kiosk / north (r1): NOT proven" in flat
    assert f"{WALL} {CLAUSES[WALL]} PASS run 1, walls: 1 of 1 claims hold; observations 0, 1, 2" in flat
    assert "and 28 more" in flat
    assert max(map(len, text.splitlines())) <= 80


def test_the_command_reads_run_folders(tmp_path: Path) -> None:
    check = next(c for c in load_checks() if c.clauses)
    verdict = run(finding(check.name, "PASS", (5,))).verdict
    folder = tmp_path / "r1"
    folder.mkdir()
    (folder / "plan.json").write_text(json.dumps(to_json(build_plan())))
    (folder / "verdict.json").write_text(json.dumps(to_json(verdict)))
    command = [sys.executable, "-m", "harness.cli", "clauses"]
    done = subprocess.run([*command, str(folder)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "1  pier-kiosk / north-pier (r1): proven" in done.stdout and check.clauses[0] in done.stdout
    done = subprocess.run([*command, str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == 2 and f"{tmp_path}/plan.json" in done.stderr
