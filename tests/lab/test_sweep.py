"""Sweep after kill -9: a harness that died at any moment leaves nothing once the next one has swept. By the docker
command line and the host's own list of interfaces. Bounded: one small lab at a time, five deaths."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from harness.lab.sweep import sweep
from tests.lab.ghosts import leave_out_ghosts, owned

pytestmark = [pytest.mark.lab, pytest.mark.alone]  # a proof beside it would sweep for it
HERE = Path(__file__).resolve().parent
PROGRAM = """
import sys, time
sys.path.insert(0, sys.argv[2])
from bench_nodes import make_small_lab
from harness.core.model import PowerOn
lab = make_small_lab(sys.argv[1])
print("begin", flush=True)
lab.start()
lab.perform(PowerOn())
print("up", flush=True)
lab.stop()
print("gone", flush=True)
"""
SETTLE_S = 3.0
"""The engine finishes what the dead process had asked for: a start or a network under way."""


def bridges() -> set[str]:
    done = subprocess.run(["ip", "-j", "link", "show", "type", "bridge"], capture_output=True, text=True, check=True)
    return {link["ifname"] for link in json.loads(done.stdout or "[]")}


def our_bridges(run_id: str) -> set[str]:
    from harness.lab.topology import name_bridge

    return {name_bridge(run_id, name) for name in ("radio", "lan1")}


@pytest.mark.parametrize("seed", range(5))
def test_nothing_is_left_of_a_run_that_was_killed(seed: int) -> None:
    run_id = f"f1kill{seed}"
    after_s = random.Random(seed).uniform(0.1, 3.5)  # from before the first network to the middle of the removal
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, run_id, str(HERE)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "begin\n"
    time.sleep(after_s)
    process.kill()
    process.stdout.close()
    process.wait()
    sweep()
    time.sleep(SETTLE_S)
    sweep()
    left = set(owned(run_id))
    assert leave_out_ghosts(left) == set()
    assert len(our_bridges(run_id) & bridges()) <= len(left)  # a ghost keeps its bridge


def test_a_living_run_is_left_alone() -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM.replace("lab.stop()", "sys.stdin.readline(); lab.stop()"), "f1alive", str(HERE)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert process.stdout is not None and process.stdin is not None
    try:
        assert process.stdout.readline() == "begin\n" and process.stdout.readline() == "up\n"
        before = owned("f1alive")
        assert before and our_bridges("f1alive") <= bridges()
        assert not [name for name in sweep() if "f1alive" in name]
        assert owned("f1alive") == before
        process.stdin.write("\n")
        process.stdin.flush()
        assert process.stdout.readline() == "gone\n"
    finally:
        process.kill()
        process.stdin.close()
        process.stdout.close()
        process.wait()
        sweep()
    assert owned("f1alive") == []
