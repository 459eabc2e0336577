"""Processes and pid files, with real processes of the test's own. Checked with ps(1), which reads the same kernel."""

import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.setup.processes import find_name, find_process, judge_pid_file, stop_process

ODD_NAME = "a) S 1 (b"  # proc(5): the name in /proc/PID/stat may hold anything, brackets and blanks included


@pytest.fixture
def sleeper(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    program = tmp_path / ODD_NAME
    shutil.copy(shutil.which("sleep") or "", program)
    with subprocess.Popen([program, "600"]) as process:
        while find_name(process.pid) != ODD_NAME:  # between fork and exec it is still this interpreter
            assert process.poll() is None
        yield process
        process.kill()


def ps(pid: int, what: str) -> str:
    return subprocess.run(["ps", "-o", f"{what}=", "-p", str(pid)], capture_output=True, text=True, check=True).stdout


def test_process_is_named_by_pid_and_start(sleeper: subprocess.Popen[bytes]) -> None:
    found = find_process(sleeper.pid)
    assert found is not None
    assert find_name(sleeper.pid) == ps(sleeper.pid, "comm").strip() == ODD_NAME
    with subprocess.Popen(["sleep", "600"]) as later:
        other = find_process(later.pid)
        later.kill()
    assert other is not None
    assert other.start_ticks >= found.start_ticks > 0


def test_remains_of_a_process_are_not_alive(sleeper: subprocess.Popen[bytes]) -> None:
    sleeper.kill()
    while ps(sleeper.pid, "stat").strip()[0] != "Z":
        pass
    assert find_process(sleeper.pid) is None
    assert find_name(sleeper.pid) is None
    sleeper.wait()
    assert find_process(sleeper.pid) is None


def test_stop_ends_it_by_sigterm(sleeper: subprocess.Popen[bytes]) -> None:
    found = find_process(sleeper.pid)
    assert found is not None
    assert stop_process(found, "root", timeout_s=10)
    assert find_process(sleeper.pid) is None


def test_stop_spares_another_with_the_same_pid(sleeper: subprocess.Popen[bytes]) -> None:
    found = find_process(sleeper.pid)
    assert found is not None
    assert stop_process(replace(found, start_ticks=found.start_ticks - 1), "root", timeout_s=10)
    assert sleeper.poll() is None


def test_stop_says_when_it_does_not_end() -> None:
    deaf = "import signal, time; signal.signal(15, signal.SIG_IGN); print('deaf', flush=True); time.sleep(600)"
    with subprocess.Popen([sys.executable, "-c", deaf], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        found = find_process(process.pid)
        assert found is not None
        assert not stop_process(found, "root", timeout_s=0.3)
        assert process.poll() is None
        process.kill()


def test_pid_file_holds_only_for_a_live_process_of_that_program(sleeper: subprocess.Popen[bytes]) -> None:
    text = f"{sleeper.pid}\n"
    assert judge_pid_file(text, ODD_NAME, find_name) == "held"
    assert judge_pid_file(text, "dockerd", find_name) == "stale"
    sleeper.kill()
    sleeper.wait()
    assert judge_pid_file(text, ODD_NAME, find_name) == "stale"
    assert judge_pid_file(None, ODD_NAME, find_name) == "absent"


@given(st.text())
def test_pid_file_that_holds_no_pid_is_stale(text: str) -> None:
    word = text.strip()
    if word.isascii() and word.isdigit() and int(word):
        return
    assert judge_pid_file(text, "dockerd", lambda pid: "dockerd") == "stale"
