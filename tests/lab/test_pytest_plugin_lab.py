"""``pytest PROFILE`` with a real lab: items pass, JUnit is written, a failure says why, what it blocks is skipped, and
under pytest-xdist each profile stays on one worker. What the items find is test_prove.py's; here a few checks do, one
of which disturbs and so comes last."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from harness.core.registry import load_checks, load_stages

ROOT = Path(__file__).parents[2]
STAGES, CHECKS = [s.name for s in load_stages()], [c.name for c in load_checks()]
CHOSEN = ("lease_timers", "matrix", "nothing_in_clear")
ONLY = [word for name in CHOSEN for word in ("--branch-only", name)]
pytestmark = pytest.mark.lab


def run_pytest(*args: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *args]
    return subprocess.run(command, capture_output=True, text=True, timeout=400, cwd=ROOT, check=False)


def test_two_profiles_on_two_workers(tmp_path: Path) -> None:
    report = tmp_path / "junit.xml"
    out = ("--branch-out", str(tmp_path / "runs"), f"--junitxml={report}")
    done = run_pytest("profiles/pier-kiosk.yaml", "profiles/harbour-office.yaml", "-n", "2", "-v", *out, *ONLY)
    assert done.returncode == 0, done.stdout
    cases = ET.parse(report).findall(".//testcase")
    assert sorted(c.attrib["name"] for c in cases) == sorted([*STAGES, *CHOSEN] * 2)
    assert not [c for c in cases if len(c)]  # neither failed nor skipped
    assert sum(float(c.attrib["time"]) for c in cases) > 10  # seconds: real runs
    by_profile: dict[str, set[str]] = {}
    for line in done.stdout.splitlines():
        if line.startswith("[gw") and "::" in line:
            profile = line.split("profiles/")[1].split(".yaml")[0]
            by_profile.setdefault(profile, set()).add(line[1:4])
    assert {len(workers) for workers in by_profile.values()} == {1}
    assert len(list((tmp_path / "runs").iterdir())) == 2  # one lab a profile


def test_a_failed_stage_says_why_and_the_rest_is_skipped(tmp_path: Path) -> None:
    profiles = Path(shutil.copytree(ROOT / "profiles", tmp_path / "profiles"))
    kiosk = profiles / "pier-kiosk.yaml"
    kiosk.write_text(
        kiosk.read_text()
        .replace("name: kiosk.skerry-line.example", "name: kiosks.skerry-line.example")
        .replace("wan_obtained: 30", "wan_obtained: 8")
    )
    done = run_pytest(str(kiosk), "-rs", "--rootdir", str(tmp_path), "--branch-out", str(tmp_path / "runs"))
    assert done.returncode == 1, done.stdout
    assert f"1 failed, 1 passed, {len(STAGES) + len(CHECKS) - 2} skipped" in done.stdout
    assert "Missing or unknown APN" in done.stdout and "last evidence" in done.stdout
    assert "blocked by wan_obtained" in done.stdout
