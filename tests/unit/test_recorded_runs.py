"""The runs that come with the package: what they claim, that they hold no secret, and that a built package has them."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from functools import cache
from pathlib import Path

import httpx
import pytest

from harness.commands.show import RECORDED
from harness.core.replay import replay
from harness.core.verdict import combine
from harness.profile.compile import compile_plan
from harness.profile.load import load_profile
from harness.run_folder import load_run
from harness.story.model import Story
from harness.telling import tell_run
from tests.recorded import FOLDER, NAMES, ROOT, copy_run

SECRETS = ROOT / "profiles" / "secrets"


@cache
def tell(name: str) -> Story:
    return tell_run(FOLDER / name)


def test_they_are_those_that_the_command_shows() -> None:
    assert RECORDED == FOLDER
    assert sorted(p.parent.relative_to(RECORDED).as_posix() for p in RECORDED.glob("**/tape.jsonl")) == sorted(NAMES)


def test_the_proven_one_is_proven_whole() -> None:
    story = tell("proven")
    assert (story.decision, story.proven, story.faults, story.causes) == ("ship", True, (), ())
    assert [s.outcome for s in story.stages] == ["PASS"] * 8
    assert not [n for n in story.notes if "verdict.json" in n]  # it says what the replay says


def test_the_failing_one_stops_at_the_tunnel_and_its_cause_is_named() -> None:
    story = tell("failing")
    assert (story.decision, story.proven) == ("do not ship", False)
    assert [s.name for s in story.stages if s.outcome == "FAIL"] == ["tunnel_up"]
    assert [f["name"] for f in story.faults] == ["wrong_psk"]
    assert story.causes[0].name == "wrong_psk"
    assert not [n for n in story.notes if "verdict.json" in n]


@pytest.mark.parametrize("name", NAMES)
def test_the_verdict_beside_it_is_what_the_tape_comes_to(name: str) -> None:
    saved = load_run(FOLDER / name)
    drawn = combine(saved.plan, replay(saved.plan, saved.tape), {})
    told = json.loads((FOLDER / name / "verdict.json").read_bytes())
    assert told["proven"] is drawn.proven
    assert [(s["stage"], s["outcome"]) for s in told["stages"]] == [(s.stage, s.outcome) for s in drawn.stages]
    claims = [(f["check"], f["claim"], f["outcome"]) for f in told["checks"]]
    assert sorted(claims) == sorted((f.check, f.claim, f.outcome) for f in drawn.checks)


@pytest.mark.parametrize("name", NAMES)
def test_it_is_of_the_profile_as_this_version_compiles_it(name: str) -> None:
    loaded = load_profile(ROOT / "profiles" / "pier-kiosk.yaml")
    was, now = load_run(FOLDER / name).plan, compile_plan(loaded, "ossay-pier", "fast", None)
    assert (was.branch.segments, was.branch.acceptance) == (now.branch.segments, now.branch.acceptance)


@pytest.mark.parametrize("name", NAMES)
def test_no_secret_and_no_place_of_this_machine_is_in_it(name: str) -> None:
    secrets = {f.read_text().rstrip("\n") for f in SECRETS.glob("*.txt")}
    found = b"".join(f.read_bytes() for f in sorted((FOLDER / name).rglob("*")) if f.is_file())
    assert len(secrets) > 10
    assert [s for s in secrets if len(s) >= 6 and s.encode() in found] == []  # shorter ones are PINs: see Scrubber
    assert str(ROOT).encode() not in found
    assert b"PRIVATE KEY" not in found


def test_a_built_package_has_them_whole(tmp_path: Path) -> None:
    source, built = _copy_sources(tmp_path / "source"), tmp_path / "built"
    command = [sys.executable, "-c", "import setuptools; setuptools.setup()", "-q", "build_py", "--build-lib", built]
    done = subprocess.run(command, cwd=source, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    for room, least in (("recorded/proven", 12), ("recorded/failing", 10), ("page/static", 10), ("show/static", 10)):
        files = [f.relative_to(ROOT) for f in sorted((ROOT / "harness" / room).rglob("*")) if f.is_file()]
        assert len(files) >= least
        for file in files:
            assert (built / file).read_bytes() == (ROOT / file).read_bytes()


def _copy_sources(target: Path) -> Path:
    """Copy what a package is built of: a build leaves traces beside its sources."""
    listed = [f for room in ("harness", "emulators") for f in (ROOT / room).rglob("*") if f.is_file()]
    for file in [*listed, *(ROOT / name for name in ("pyproject.toml", "README.md"))]:
        if "__pycache__" not in file.parts:
            copy = target / file.relative_to(ROOT)
            copy.parent.mkdir(parents=True, exist_ok=True)
            copy.write_bytes(file.read_bytes())
    return target


def test_a_run_is_copied_without_captures_and_what_was_there_is_gone(tmp_path: Path) -> None:
    run, target = tmp_path / "run", tmp_path / "kept"
    for name in ("nodes/router.log", "nodes/empty.log", "captures/a.pcap", "plan.json", "tape.jsonl", "verdict.json"):
        (run / name).parent.mkdir(parents=True, exist_ok=True)
        (run / name).write_text("" if "empty" in name else f"file:{ROOT}/profiles/x of {name}")
    (target / "old").mkdir(parents=True)
    copies = copy_run(run, target)
    names = ["nodes/router.log", "plan.json", "tape.jsonl", "verdict.json"]
    assert sorted(c.relative_to(target).as_posix() for c in copies) == names
    assert sorted(p.relative_to(target).as_posix() for p in target.rglob("*") if p.is_file()) == names
    assert (target / "plan.json").read_text() == "file:profiles/x of plan.json"
    (run / "verdict.json").unlink()
    with pytest.raises(ValueError, match=r"saw no verdict\.json"):
        copy_run(run, target)
    assert (target / "plan.json").is_file()


# ---------------------------------------------------------------- what a person does with them

CLI = [sys.executable, "-m", "harness.cli"]
TIMEOUT_S = 300.0


@pytest.mark.parametrize("name", NAMES)
def test_one_is_told_as_any_run(name: str, tmp_path: Path) -> None:
    formats = ("html", "json", "markdown", "junit", "otlp")
    command = [*CLI, "report", str(FOLDER / name), "--out", str(tmp_path), "--format", *formats]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=TIMEOUT_S)
    assert (done.returncode, done.stderr) == (0, "")
    written = [Path(line) for line in done.stdout.splitlines()]
    assert len(written) == len(formats) and all(file.stat().st_size > 1000 for file in written)
    assert tell(name).headline in (tmp_path / "report.html").read_text("utf-8")


def test_without_an_argument_both_are_offered_and_each_can_be_opened() -> None:
    command = [*CLI, "show", "--no-open"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None and process.stderr is not None
            url = httpx.URL(process.stdout.readline().strip())
            with httpx.Client(trust_env=False, timeout=TIMEOUT_S) as client:
                scene = client.get(url.copy_with(path="/scene")).json()
                assert {one["name"]: one["chosen"] for one in scene["runs"]} == {"proven": True, "failing": False}
                for name in reversed(NAMES):
                    asked = client.post(url.copy_with(path="/act"), json={"act": "open", "run": name})
                    assert asked.status_code == 200, asked.text
                    scene = client.get(url.copy_with(path="/scene")).json()
                    assert [r["name"] for r in scene["runs"] if r["chosen"]] == [name]
                    assert (scene["mode"], scene["profile"], len(scene["stages"])) == ("replay", "pier-kiosk", 8)
                    assert "start" in scene["acts"]
            process.send_signal(signal.SIGINT)
            assert process.wait(TIMEOUT_S) == 0
            assert process.stderr.read() == ""
        finally:
            process.kill()
