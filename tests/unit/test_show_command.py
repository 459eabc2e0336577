"""`branchproof show` as a process: its address, its end, and what it refuses."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from tests.unit.show_tapes import write_run

COMMAND = [sys.executable, "-m", "harness.cli", "show", "--no-open"]
TIMEOUT_S = 60.0


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_a_recorded_run_is_served_until_it_is_told_to_stop(tmp_path: Path, ending: signal.Signals) -> None:
    run = write_run(tmp_path / "run")
    with subprocess.Popen([*COMMAND, str(run)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            url = httpx.URL(process.stdout.readline().strip())
            assert (url.scheme, url.host, url.path) == ("http", "127.0.0.1", "/")
            page = httpx.get(url, trust_env=False, timeout=TIMEOUT_S)
            assert (page.status_code, page.headers["content-type"]) == (200, "text/html; charset=utf-8")
            with httpx.stream("GET", url.copy_with(path="/events"), trust_env=False, timeout=TIMEOUT_S) as stream:
                assert next(stream.iter_lines()) == "event: scene"
                process.send_signal(ending)  # with a page open, too
                assert process.wait(TIMEOUT_S) == 0
        finally:
            process.kill()
        assert process.stderr is not None and process.stderr.read() == ""


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["nothing"], "expected a run's folder"),
        (["nothing.yaml"], "nothing.yaml"),
        (["RUN", "--speed", "0"], "--speed: expected 0.1 to 50"),
        (["RUN", "--speed", "nan"], "--speed: expected 0.1 to 50"),
        (["RUN", "--port", "70000"], "--port: expected 0 to 65535"),
        (["RUN", "--site", "x"], "--site: a recorded run"),
        (["RUN", "--port", "TAKEN"], "cannot be used"),
    ],
)
def test_bad_input_is_told_in_one_line(tmp_path: Path, arguments: list[str], told: str) -> None:
    run = write_run(tmp_path / "run")
    with socket.create_server(("127.0.0.1", 0)) as other:
        words = {"RUN": str(run), "TAKEN": str(other.getsockname()[1])}
        ended = subprocess.run(
            [*COMMAND, *(words.get(a, a) for a in arguments)],
            capture_output=True, text=True, timeout=TIMEOUT_S, check=False, cwd=tmp_path,
            env={"PYTHONPATH": str(Path(__file__).parents[2]), "PATH": ""},
        )  # fmt: skip
    assert (ended.returncode, ended.stdout) == (2, "")
    assert told in ended.stderr and "Traceback" not in ended.stderr
    assert ended.stderr.count("\n") == 1
