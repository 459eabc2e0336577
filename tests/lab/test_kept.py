"""A failed staging, debugged as a user does it: the lab is left up, looked into, the paper put right, and the run gone
on with, without starting over. Judged by the docker command line and by the modem's own answers (3GPP TS 27.007)."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.lab.ghosts import leave_out_ghosts, owned
from tests.lab.test_prove import ROOT, change, copy_profiles

pytestmark = pytest.mark.lab
TOLD = "      carrier:\n        apns: &ordered"
NOT_CLAIMED = "      inventory: {claimed: false}\n" + TOLD


def run(*args: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "harness.cli", *args]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)


@dataclass(frozen=True)
class Staging:
    """A run that failed and whose lab is up."""

    profile: Path
    out: Path
    folder: Path
    said: str


@pytest.fixture(scope="module")
def staging(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Staging]:
    """The device was not entered in the inventory: the bring-up stops at checked_in."""
    root = tmp_path_factory.mktemp("kept")
    profile = copy_profiles(root) / "pier-kiosk.yaml"
    change(profile.with_name("pier-kiosk.sites.yaml"), TOLD, NOT_CLAIMED)
    out = root / "runs"
    done = run("prove", str(profile), "--out", str(out), "--keep", "on-fail", "--only", "lease_timers")
    try:
        assert done.returncode == 1, done.stdout + done.stderr
        (folder,) = out.iterdir()
        run_id = folder.name.split("-")[-1]
        assert owned(run_id)
        yield Staging(profile, out, folder, done.stdout)
    finally:
        swept = run("sweep")
    assert swept.returncode == 0, swept.stdout + swept.stderr
    assert leave_out_ghosts(owned(run_id)) == set()


def test_what_is_left_up_says_how_to_get_in_and_why_it_stopped(staging: Staging) -> None:
    for command in ("enter", "at", "timeline", "resume"):
        assert f"branchproof {command} {staging.folder}" in staging.said
    assert "device_not_in_inventory" in staging.said


def test_a_command_runs_in_a_node_and_its_exit_code_is_handed_on(staging: Staging) -> None:
    seen = run("enter", str(staging.folder), "carrier", "--", "ip", "-o", "addr", "show", "gtp0")
    assert seen.returncode == 0 and "100.64.0.1" in seen.stdout
    assert run("enter", str(staging.folder), "router", "--", "sh", "-c", "exit 7").returncode == 7
    wrong = run("enter", str(staging.folder), "routr", "--", "true")
    assert wrong.returncode == 2 and "router" in wrong.stderr and "Traceback" not in wrong.stderr


def test_the_modem_answers_beside_the_device(staging: Staging) -> None:
    """TS 27.007 clause 10.1.22: `+CEREG: <n>,<stat>`; stat 1 is registered, home network."""
    done = run("at", str(staging.folder), "AT+CEREG?", "AT+CPIN?")
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"\+CEREG: \d,1", done.stdout) and "+CPIN: READY" in done.stdout
    assert run("at", str(staging.folder), "AT+NOSUCH").returncode == 1


def test_a_mended_paper_is_gone_on_with_and_never_called_a_whole_proof(staging: Staging) -> None:
    change(staging.profile.with_name("pier-kiosk.sites.yaml"), NOT_CLAIMED, TOLD)
    args = ("--from", "checked_in", "--profile", str(staging.profile), "--keep", "always")
    done = run("resume", str(staging.folder), *args)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "PROVEN from checked_in on, resumed" in done.stdout
    new = max(staging.out.iterdir(), key=lambda path: path.stat().st_mtime)
    verdict = json.loads((new / "verdict.json").read_text())
    outcomes = {s["stage"]: s["outcome"] for s in verdict["stages"]}
    assert (outcomes["wan_obtained"], outcomes["checked_in"], outcomes["hq_reached"]) == (
        "NOT_APPLICABLE", "PASS", "PASS",
    )  # fmt: skip
    parted = run("compare", str(staging.folder), str(new))
    assert parted.returncode == 1 and "checked_in" in parted.stdout


def test_a_time_line_is_of_one_stage_and_points_into_the_evidence(staging: Staging) -> None:
    done = run("timeline", str(staging.folder), "--stage", "wan_obtained", "--kind", "at")
    assert done.returncode == 0
    lines = [line for line in done.stdout.splitlines() if not line.startswith("#") and "------" not in line]
    assert any("AT+CGACT=1,1" in line for line in lines)
    assert all(re.search(r"\[obs \d+\]", line) for line in lines)
