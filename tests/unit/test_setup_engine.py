"""The engine: which steps follow from which machine, what a dead engine leaves behind, what a failed start tells.

The start itself is not tested here: it would need a machine of its own.
"""

import socket
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from harness.errors import EXIT_LAB, EngineError
from harness.setup.builder import ask_engine
from harness.setup.daemon import clear_stale, is_deserted, wait_engine
from harness.setup.engine import Facts, decide

BARE = Facts(
    docker_host=None, answers=False, denied=False, problem="nothing there", installed=False, right="root", apt=True,
    manager="none",
)  # fmt: skip


@pytest.mark.parametrize(
    ("facts", "steps"),
    [
        (replace(BARE, answers=True), ("use",)),
        (replace(BARE, answers=True, docker_host="tcp://bench.example:2376", right="none"), ("use",)),
        (BARE, ("install", "start")),
        (replace(BARE, right="sudo"), ("install", "start")),
        (replace(BARE, manager="systemd"), ("install", "start")),
        (replace(BARE, installed=True, apt=False), ("start",)),
    ],
)
def test_steps(facts: Facts, steps: tuple[str, ...]) -> None:
    assert decide(facts) == steps


@pytest.mark.parametrize(
    ("facts", "hint"),
    [
        (replace(BARE, right="none"), "apt-get install docker.io"),
        (replace(BARE, apt=False), "install a container engine"),
        (replace(BARE, right="none", installed=True), "systemctl start docker"),
        (replace(BARE, docker_host="tcp://bench.example:2376"), "unset DOCKER_HOST"),
        (replace(BARE, installed=True, denied=True, right="none"), "usermod -aG docker"),
        (replace(BARE, installed=True, denied=True, right="sudo"), "usermod -aG docker"),
    ],
)
def test_where_there_is_no_way_one_message_says_what_to_do(facts: Facts, hint: str) -> None:
    with pytest.raises(EngineError, match="nothing there") as caught:
        decide(facts)
    assert hint in caught.value.hint
    assert caught.value.exit_code == EXIT_LAB == 3


def test_an_engine_that_is_not_there_is_told_plainly(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("DOCKER_HOST", f"unix://{tmp_path}/engine.sock")
    answer = ask_engine()
    assert answer.version is None
    assert not answer.denied
    assert answer.problem == f"{tmp_path}/engine.sock: No such file or directory"


def test_only_stale_leftovers_go(tmp_path: Path) -> None:
    said: list[str] = []
    live, dead, foreign = tmp_path / "live.pid", tmp_path / "dead.pid", tmp_path / "foreign.pid"
    with subprocess.Popen(["sleep", "600"]) as daemon, subprocess.Popen(["sleep", "0"]) as gone:
        gone.wait()
        live.write_text(f"{daemon.pid}")
        dead.write_text(f"{gone.pid}")
        foreign.write_text(f"{daemon.pid}")
        held = ((live, "sleep"), (dead, "sleep"), (foreign, "dockerd"), (tmp_path / "absent.pid", "dockerd"))
        clear_stale("root", said.append, held, tmp_path / "absent.sock")
        daemon.kill()
    assert [path.exists() for path in (live, dead, foreign)] == [True, False, False]
    assert len(said) == 2
    assert said[0].startswith(f"removing {dead}")
    assert said[1].startswith(f"removing {foreign}")


def test_a_socket_is_deserted_when_nobody_listens(tmp_path: Path) -> None:
    path = tmp_path / "containerd.sock"
    assert not is_deserted(path)
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()
        assert not is_deserted(path)
    assert is_deserted(path)
    said: list[str] = []
    clear_stale("root", said.append, (), path)
    assert said == [f"removing {path}: nobody listens behind it"]
    assert not path.exists()


def test_a_failed_start_shows_the_end_of_the_log(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("DOCKER_HOST", f"unix://{tmp_path}/engine.sock")
    log = "\n".join(f"line {number}" for number in range(100)) + "\nfailed to start daemon: no cgroups"
    with pytest.raises(EngineError) as caught:
        wait_engine(lambda: log, lambda: 1)
    assert "ended with exit 1" in caught.value.seen
    assert caught.value.seen.endswith("failed to start daemon: no cgroups")
    assert "line 99" in caught.value.seen
    assert "line 1\n" not in caught.value.seen
    with pytest.raises(EngineError, match=r"no answer after 0\.\d s"):
        wait_engine(lambda: log, lambda: None, timeout_s=0.3)
