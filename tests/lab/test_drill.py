"""Faults put upon real labs: a sample of each family in each demo profile, shared labs and labs of their own. The whole
catalogue is `branchproof drill --suite all`; what a diagnosis makes of all of it is held by recordings
(tests/unit/test_diagnosis_corpus.py)."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from harness.core.registry import load_faults
from harness.core.replay import replay
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import diagnose
from harness.run_folder import load_run
from tests.lab.ghosts import leave_out_ghosts, owned_by

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.lab

SAMPLES = {
    "pier-kiosk": [
        "sim_wants_pin", "apn_unknown", "server_certificate_expired", "image_corrupted", "section_refused", "wrong_psk",
        "gateway_down", "power_cut_in_service",
    ],
    "harbour-office": [
        "wrong_pin", "clock_in_1970", "device_not_in_inventory", "image_truncated", "tunnel_certificate_expired",
        "rogue_dhcp", "gateway_restarts",
    ],
}  # fmt: skip


def build_command(profile: str, out: Path, *args: str) -> list[str]:
    # Ctrl-C must reach it even where the tests run in the background of a shell (POSIX.1-2017, Shell 2.11)
    heard = ["env", "--default-signal=INT", sys.executable, "-m", "harness.cli"]
    return [*heard, "drill", f"profiles/{profile}.yaml", "--out", str(out), *args]


def start(command: list[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def wait(process: subprocess.Popen[str], timeout_s: float) -> str:
    """Return what it said; no process is left behind."""
    try:
        return process.communicate(timeout=timeout_s)[0]
    finally:
        process.kill()


@pytest.mark.parametrize("profile", sorted(SAMPLES))
def test_a_drill_finds_every_fault_as_expected_and_names_it(profile: str, tmp_path: Path) -> None:
    command = build_command(profile, tmp_path, "--jobs", "4", "--suite", *SAMPLES[profile])
    process = start(command)
    said = wait(process, 900)
    assert process.returncode == 0, said
    (listing,) = tmp_path.glob("drill-*.json")
    rows = json.loads(listing.read_text())
    assert sorted(row["fault"] for row in rows) == sorted(SAMPLES[profile])
    assert all(row["as_expected"] for row in rows)
    in_service = {f.name for f in load_faults() if f.onset.stage == "hq_reached"}
    assert {row["fault"] for row in rows if row["shared_lab"]} == in_service & set(SAMPLES[profile])
    for row in rows:  # each trial's folder stands by itself: what was read off live is read off it again
        run = load_run(ROOT / row["folder"])
        named = diagnose(build_case(replay(run.plan, run.tape))).named
        assert [n.cause.name for n in named] == row["causes"]
    assert leave_out_ghosts(owned_by(process.pid)) == set()


def test_an_interrupted_drill_takes_all_its_labs_down(tmp_path: Path) -> None:
    command = build_command(
        "pier-kiosk", tmp_path, "--jobs", "3", "--suite", "apn_unknown", "gateway_down", "wrong_psk"
    )
    process = start(command)
    time.sleep(random.Random(5).uniform(6, 20))  # from the first labs' building to the middle of their runs
    process.send_signal(signal.SIGINT)
    said = wait(process, 120)
    assert process.returncode == 130, said
    assert "Traceback" not in said
    assert leave_out_ghosts(owned_by(process.pid)) == set()


def test_a_proof_with_a_fault_says_whether_it_went_as_expected(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "harness.cli", "prove", "profiles/pier-kiosk.yaml", "--out", str(tmp_path)]
    command += ["--with", "apn_unknown"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "AS EXPECTED" in done.stdout and "PROVEN" not in done.stdout.replace("NOT PROVEN", "")
    (folder,) = (p for p in tmp_path.iterdir() if p.is_dir())
    outcome = json.loads((folder / "faults.json").read_text())
    assert (outcome["faults"], outcome["outcome"]) == (["apn_unknown"], "PASS")
    assert "apn_unknown" not in (folder / "plan.json").read_text() + (folder / "tape.jsonl").read_text()
