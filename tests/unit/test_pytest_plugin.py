"""Profiles as pytest items, without a lab: what is collected, and what a broken profile looks like."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from harness.core.registry import load_checks, load_stages

ROOT = Path(__file__).parents[2]


def run_pytest(*args: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *args]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=ROOT, check=False)


def test_one_item_a_stage_and_check() -> None:
    done = run_pytest("--collect-only", "-q", "profiles/pier-kiosk.yaml")
    names = [line.rsplit("::", 1)[1] for line in done.stdout.splitlines() if "::" in line]
    assert names == [entry.name for entry in (*load_stages(), *load_checks())]


def test_sites_files_are_not_profiles() -> None:
    done = run_pytest("--collect-only", "-q", "profiles/pier-kiosk.sites.yaml")
    assert "::" not in done.stdout


def test_a_broken_profile_is_a_collection_error_with_its_place(tmp_path: Path) -> None:
    broken = tmp_path / "broken.yaml"
    broken.write_text("format: 1\nhardware: coastal-4\nsegmnts: []\n")
    done = run_pytest("-q", str(broken), "--rootdir", str(tmp_path))
    assert done.returncode == 2
    assert "broken.yaml:3:1 segmnts" in done.stdout and "segments" in done.stdout
    assert "Traceback" not in done.stdout


def test_a_site_that_is_not_there_is_said() -> None:
    done = run_pytest("-q", "profiles/pier-kiosk.yaml", "--branch-site", "atlantis")
    assert done.returncode == 2
    assert "atlantis" in done.stdout and "ossay-pier" in done.stdout


def test_checks_are_chosen_like_on_the_command_line() -> None:
    stages = [entry.name for entry in load_stages()]
    for args, left in (
        (["--branch-only", "matrix", "--branch-only", "lease_timers"], ["lease_timers", "matrix"]),
        (["--branch-only", "matrix", "--branch-only", "qos", "--branch-skip", "qos"], ["matrix"]),
        (["--branch-skip", "qos"], [c.name for c in load_checks() if c.name != "qos"]),
    ):
        done = run_pytest("--collect-only", "-q", "profiles/pier-kiosk.yaml", *args)
        names = [line.rsplit("::", 1)[1] for line in done.stdout.splitlines() if "::" in line]
        assert names == [*stages, *left]


def test_a_check_that_is_not_there_is_said() -> None:
    done = run_pytest("-q", "profiles/pier-kiosk.yaml", "--branch-skip", "matrices")
    assert done.returncode == 2
    assert "--branch-skip" in done.stdout and "'matrices'" in done.stdout and "lease_timers" in done.stdout
    assert "Traceback" not in done.stdout
