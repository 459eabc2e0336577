"""Who owns a lab, and whose lab may go. Against this system's own /proc (proc(5)) and real processes."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from harness.lab.engine import Resource
from harness.lab.owner import (
    KEPT_LABEL,
    Life,
    Owner,
    describe_self,
    find_start_ticks,
    judge_life,
    make_labels,
    parse_owner,
)
from harness.lab.sweep import UNKNOWN_AGE_S, choose_dead

ME = describe_self()


def test_owner_goes_through_its_label() -> None:
    assert parse_owner(ME.render()) == ME
    assert parse_owner("") is None and parse_owner("a/b/c/x/1") is None


def test_this_process_lives_and_an_ended_one_does_not() -> None:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    ticks = find_start_ticks(child.pid)
    assert ticks is not None
    owner = replace(ME, pid=child.pid, start_ticks=ticks)
    assert judge_life(owner, ME) == "alive"
    assert judge_life(replace(owner, start_ticks=ticks - 1), ME) == "dead"  # the pid was used again
    child.communicate(b"\n")
    assert judge_life(owner, ME) == "dead"


def test_a_killed_process_that_nobody_waited_for_is_dead() -> None:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    ticks = find_start_ticks(child.pid)
    assert ticks is not None
    child.kill()
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)  # it is a zombie now
    assert judge_life(replace(ME, pid=child.pid, start_ticks=ticks), ME) == "dead"
    assert child.stdin is not None
    child.stdin.close()
    child.wait()


def test_start_ticks_agree_with_ps(tmp_path: Path) -> None:
    """A command with spaces and parentheses in its name must not shift the fields. Reference: procps' own parsing."""
    program = tmp_path / "a) (b"
    program.symlink_to(sys.executable)
    child = subprocess.Popen([str(program), "-c", "input()"], stdin=subprocess.PIPE)
    ticks = find_start_ticks(child.pid)
    uptime_s = float(Path("/proc/uptime").read_text().split()[0])
    assert ticks is not None and 0 <= uptime_s - ticks / os.sysconf("SC_CLK_TCK") < 30
    child.communicate(b"\n")


@pytest.mark.parametrize(
    ("owner", "life"),
    [
        (ME, "alive"),
        (replace(ME, boot="another"), "dead"),
        (replace(ME, host="another"), "unknown"),
        (replace(ME, pid_namespace="1"), "unknown"),
        (replace(ME, boot="", pid_namespace=""), "unknown"),
        (None, "unknown"),
    ],
)
def test_what_cannot_be_seen_is_unknown(owner: Owner | None, life: Life) -> None:
    assert judge_life(owner, ME) == life


def resource(run: str, life: str, created_s: float, **labels: str) -> Resource:
    owner = replace(ME, host=life)
    return Resource("network", f"id-{run}", f"bp-{run}-x", make_labels(run, owner, created_s) | labels)


def judge(owner: Owner | None) -> Life:
    assert owner is not None
    return owner.host  # type: ignore[return-value]


@pytest.mark.parametrize(
    ("life", "age_s", "kept", "goes", "goes_with_all"),
    [
        ("alive", 10 * UNKNOWN_AGE_S, False, False, False),
        ("dead", 0, False, True, True),
        ("dead", 10 * UNKNOWN_AGE_S, True, False, True),
        ("unknown", 60, False, False, True),
        ("unknown", UNKNOWN_AGE_S + 60, False, True, True),
        ("unknown", UNKNOWN_AGE_S + 60, True, False, True),
    ],
)
def test_whose_lab_may_go(life: str, age_s: float, kept: bool, goes: bool, goes_with_all: bool) -> None:
    now_s = 10_000_000.0
    first = resource("r", life, now_s - age_s)
    marker = [resource("r", life, now_s, **{KEPT_LABEL: "1"})] if kept else []
    other = resource("s", "alive", now_s)
    found = (first, *marker, other)
    assert bool(choose_dead(found, judge, now_s, everything=False)) is goes
    chosen = choose_dead(found, judge, now_s, everything=True)
    assert bool(chosen) is goes_with_all and other not in chosen


def test_a_run_without_labels_that_can_be_read_stays_unless_all() -> None:
    odd = Resource("volume", "v", "v", {"branchproof.run": "r"})
    assert choose_dead((odd,), lambda owner: "unknown", 1e9, everything=False) == ()
    assert choose_dead((odd,), lambda owner: "unknown", 1e9, everything=True) == (odd,)
