"""Whatever way the command line ends, nothing of the run stays: Ctrl-C, SIGTERM and kill -9 at random moments; and a
lab whose branch subnet is the host's own works all the same. Judged by the docker command line, not by our own."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.lab.ghosts import leave_out_ghosts, owned_by

ROOT = Path(__file__).parents[2]
PROFILE = "profiles/pier-kiosk.yaml"
pytestmark = pytest.mark.lab


def docker(*args: str) -> str:
    return subprocess.run(["docker", *args], capture_output=True, text=True, check=True, timeout=60).stdout


def start(out: Path) -> subprocess.Popen[str]:
    """Start a proof that Ctrl-C reaches, even where the tests run in the background of a shell, which has its
    jobs ignore it (POSIX.1-2017, Shell Command Language 2.11)."""
    heard = ["env", "--default-signal=INT"]
    command = [*heard, sys.executable, "-m", "harness.cli", "prove", PROFILE, "--out", str(out)]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


@pytest.mark.parametrize(("number", "seed"), [(signal.SIGINT, 1), (signal.SIGTERM, 2), (signal.SIGINT, 3)])
def test_an_interrupted_run_takes_its_lab_down(tmp_path: Path, number: signal.Signals, seed: int) -> None:
    process = start(tmp_path)
    time.sleep(random.Random(seed).uniform(2, 14))  # from the first network to the middle of the run
    process.send_signal(number)
    said, _ = process.communicate(timeout=90)
    assert process.returncode == 130, said
    assert "interrupted" in said and "Traceback" not in said
    assert leave_out_ghosts(owned_by(process.pid)) == set()


@pytest.mark.alone  # a proof beside it would sweep for it, and its sweep takes what others have left up
@pytest.mark.parametrize("seed", [11, 12])
def test_a_killed_run_is_gone_after_sweep(tmp_path: Path, seed: int) -> None:
    process = start(tmp_path)
    time.sleep(random.Random(seed).uniform(2, 14))
    process.kill()
    process.communicate(timeout=30)
    time.sleep(3)  # the engine finishes what the dead process had asked for
    subprocess.run(
        [sys.executable, "-m", "harness.cli", "sweep"], cwd=ROOT, check=True, timeout=120, capture_output=True
    )
    assert leave_out_ghosts(owned_by(process.pid)) == set()


def test_a_branch_subnet_may_be_the_hosts_own(tmp_path: Path) -> None:
    """The host gets the router's very own address, 10.61.1.1/26, on a bridge; the lab must not notice: neither the
    clients of that subnet nor who administers the router at that address."""
    name = "bpt-host-own"
    docker("network", "create", "--subnet", "10.61.1.0/26", "--gateway", "10.61.1.1", name)
    try:
        command = [sys.executable, "-m", "harness.cli", "prove", PROFILE, "--out", str(tmp_path)]
        command += ["--only", "lease_timers", "matrix", "administration_from_hq_only"]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    finally:
        docker("network", "rm", name)
    assert done.returncode == 0, done.stdout + done.stderr
