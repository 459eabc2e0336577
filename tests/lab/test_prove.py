"""The main job, on the command line, as a user runs it: both demo profiles proven whole, with every check there is;
four wrong branches found out.

Each wrong branch is a copy of the demo profile with one line changed, as it would be in an engineer's hands. The peers
that find it out are daemons no one here wrote (strongSwan at HQ) or follow the named standard's cause (3GPP TS 24.301
#27, RFC 8040 404 invalid-value).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from harness.core.machine import RunMachine
from harness.core.registry import load_checks, load_stages
from harness.core.replay import replay
from harness.run_folder import load_run

ROOT = Path(__file__).parents[2]
STAGES = [stage.name for stage in load_stages()]
CHECKS = [check.name for check in load_checks()]
NAMES = ("pier-kiosk", "harbour-office")
pytestmark = pytest.mark.lab
TRANSCRIBED = {"pier-kiosk": "+CME ERROR: 127", "harbour-office": "AT+CPIN=***"}
"""TS 27.007 clause 9.2: 100 + ESM cause 27, the first APN is unknown; clause 8.3, the PIN struck out."""
SHORT_BYTES = 6
"""A SIM's PIN has four digits: in megabytes of packets and stamps they stand by chance. Looked for where it is told."""
Run = tuple[subprocess.CompletedProcess[str], dict[str, Any], Path]
"""How the command ended, the verdict, the run folder."""


def prove(profile: Path, out: Path, *args: str) -> Run:
    """Run the command line; return how it ended, its verdict and its run folder."""
    command = [sys.executable, "-m", "harness.cli", "prove", str(profile), "--out", str(out), *args]
    done = subprocess.run(command, capture_output=True, text=True, timeout=400, cwd=ROOT, check=False)
    folders = sorted(out.iterdir()) if out.is_dir() else []
    assert folders, f"no run folder; exit {done.returncode}\n{done.stdout}\n{done.stderr}"
    verdict = json.loads((folders[-1] / "verdict.json").read_text())
    return done, verdict, folders[-1]


def copy_profiles(tmp_path: Path) -> Path:
    """Copy the demo profiles with sites and secrets, to change one thing in."""
    return Path(shutil.copytree(ROOT / "profiles", tmp_path / "profiles"))


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text, f"{path.name} has no {old!r}"
    path.write_text(text.replace(old, new))


@pytest.fixture(scope="module", params=NAMES)
def proof(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The whole proof of a demo profile, made once for all tests that look at it."""
    return prove(ROOT / f"profiles/{request.param}.yaml", tmp_path_factory.mktemp(request.param))


def test_the_packets_that_decided_are_marked(proof: Run, tmp_path: Path) -> None:
    """By tshark. No packet shows that a slot is started; the radio's signalling is in no capture."""
    command = [
        sys.executable,
        "-m",
        "harness.cli",
        "report",
        str(proof[2]),
        "--format",
        "pcapng",
        "--out",
        str(tmp_path),
    ]
    subprocess.run(command, check=True, cwd=ROOT, capture_output=True, timeout=200)
    shown = [
        "tshark",
        "-r",
        str(tmp_path / "marked.pcapng"),
        "-Y",
        "frame.comment",
        "-T",
        "fields",
        "-e",
        "frame.comment",
    ]
    done = subprocess.run(shown, check=True, capture_output=True, text=True, timeout=200)
    marked = {line.split()[1] for line in done.stdout.splitlines() if line.startswith("stage ")}
    unseen = {"powered", "wan_obtained"} if "kiosk" in proof[2].name else {"powered"}
    assert marked == set(STAGES) - unseen


def test_a_demo_profile_is_proven_with_every_check(proof: Run) -> None:
    done, verdict, folder = proof
    assert done.returncode == 0, done.stdout + done.stderr
    assert verdict["proven"] is True
    assert [s["stage"] for s in verdict["stages"]] == STAGES
    assert {s["outcome"] for s in verdict["stages"]} == {"PASS"}
    branch = load_run(folder).plan.branch
    held = sum(c["outcome"] == "PASS" for c in verdict["checks"])
    said = f"{branch.profile} / {branch.site}: {len(STAGES)} of {len(STAGES)} stages, {held} of {held} checks, "
    assert f"PROVEN  {said}" in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines() if line.startswith("  ")), done.stdout


def test_no_check_of_a_demo_profile_is_set_aside_whole(proof: Run) -> None:
    """A single claim may not apply, and then says why; a check none of whose claims was tried shows nothing."""
    _, verdict, _ = proof
    outcomes = {name: {c["outcome"] for c in verdict["checks"] if c["check"] == name} for name in CHECKS}
    assert {c["check"] for c in verdict["checks"]} == set(CHECKS)
    assert {name: seen for name, seen in outcomes.items() if "PASS" not in seen} == {}
    aside = [c for c in verdict["checks"] if c["outcome"] != "PASS"]
    assert {c["outcome"] for c in aside} <= {"NOT_APPLICABLE"}
    assert [c for c in aside if not c["seen"]] == []
    assert verdict["facts"]["left_out"] == []


def test_the_run_folder_holds_it_all(proof: Run) -> None:
    _, verdict, folder = proof
    files = ("plan.json", "tape.jsonl", "at.txt", "verdict.json", "junit.xml", "nodes/router.log")
    for name in (*files, "audit/operators.jsonl"):
        assert (folder / name).stat().st_size > 0, name
    for name in ("carrier-inet", "carrier-radio", "hq-gateway-inet"):
        magic = (folder / "captures" / f"{name}.pcap").read_bytes()[:4]
        assert magic in (b"\xd4\xc3\xb2\xa1", b"\xa1\xb2\xc3\xd4"), name  # libpcap file format, microseconds
    transcript = (folder / "at.txt").read_text()
    assert "AT+CGDCONT=" in transcript and TRANSCRIBED[load_run(folder).plan.branch.profile] in transcript
    facts = verdict["facts"]
    assert facts["pace"] == "fast" and facts["profile_digest"] and facts["times_s"]["lab_up_s"] > 0
    assert "userspace" in json.dumps(facts) or "kernel" in json.dumps(facts)  # which ESP was used is on record


def test_replay_of_the_tape_gives_the_same_verdict(proof: Run) -> None:
    _, verdict, folder = proof
    saved = load_run(folder)
    machine: RunMachine = replay(saved.plan, saved.tape, load_stages(), load_checks())
    assert machine.done
    assert [(s.stage, s.outcome, s.took_s) for s in machine.results()] == [
        (s["stage"], s["outcome"], s["took_s"]) for s in verdict["stages"]
    ]
    assert [(f.check, f.outcome, f.claim, f.seen, list(f.evidence)) for f in machine.findings()] == [
        (f["check"], f["outcome"], f["claim"], f["seen"], f["evidence"]) for f in verdict["checks"]
    ]


def test_no_secret_is_in_the_run_folder(proof: Run) -> None:
    done, _, folder = proof
    profile = load_run(folder).plan.branch.profile
    secrets = [path.read_bytes().strip() for path in (ROOT / "profiles/secrets").glob(f"{profile}*.txt")]
    assert len(secrets) >= 4
    content = [(str(p), p.read_bytes()) for p in folder.rglob("*") if p.is_file()]
    content.append(("output", (done.stdout + done.stderr).encode()))
    short = [secret for secret in secrets if len(secret) < SHORT_BYTES]
    transcript = (folder / "at.txt").read_bytes().splitlines()
    assert [line for line in transcript if b"CPIN" in line and any(pin in line for pin in short)] == []
    for secret in set(secrets) - set(short):
        assert [name for name, text in content if secret in text] == []
    assert [name for name, text in content if b"PRIVATE KEY" in text] == []


def missed(verdict: dict[str, Any]) -> tuple[str, str]:
    """Return the one stage that failed, and all that its findings and summary say. The rest must be in order."""
    failed = [s for s in verdict["stages"] if s["outcome"] == "FAIL"]
    assert len(failed) == 1, verdict["stages"]
    place = STAGES.index(failed[0]["stage"])
    assert {s["outcome"] for s in verdict["stages"][:place]} <= {"PASS"}
    assert {s["outcome"] for s in verdict["stages"][place + 1 :]} <= {"INCONCLUSIVE"}
    return failed[0]["stage"], json.dumps(failed[0])


def test_a_wrong_psk_fails_at_tunnel_up(tmp_path: Path) -> None:
    profiles = copy_profiles(tmp_path)
    (profiles / "secrets/other-psk.txt").write_text("what-headquarters-was-told-instead")
    psk = '{psk: "file:secrets/other-psk.txt"}'
    record = f"    on_record:\n      headquarters: {psk}\n      carrier:\n        apns: &ordered"
    change(profiles / "pier-kiosk.sites.yaml", "    on_record:\n      carrier:\n        apns: &ordered", record)
    change(profiles / "pier-kiosk.yaml", "tunnel_up: 60", "tunnel_up: 8")
    # Leases are not judged: they wait for 802.1X, whose server is behind the tunnel.
    done, verdict, folder = prove(profiles / "pier-kiosk.yaml", tmp_path / "runs", "--skip", "lease_timers")
    stage, said = missed(verdict)
    assert (done.returncode, stage) == (1, "tunnel_up")
    assert "sa.refused" in said and "psk" in said.lower(), (
        said
    )  # strongSwan's own word at HQ: MAC mismatch / AUTH failed
    assert not any(b"headquarters-was-told" in p.read_bytes() for p in folder.rglob("*") if p.is_file())


def test_an_unknown_apn_fails_at_wan_obtained(tmp_path: Path) -> None:
    profiles = copy_profiles(tmp_path)
    change(profiles / "pier-kiosk.yaml", "name: kiosk.skerry-line.example", "name: kiosks.skerry-line.example")
    change(profiles / "pier-kiosk.yaml", "wan_obtained: 30", "wan_obtained: 8")
    done, verdict, _ = prove(profiles / "pier-kiosk.yaml", tmp_path / "runs")
    stage, said = missed(verdict)
    assert (done.returncode, stage) == (1, "wan_obtained")
    assert "Missing or unknown APN" in said and "kiosks.skerry-line.example" in said  # TS 24.301 9.9.4.4, cause #27


def test_an_unclaimed_serial_fails_at_checked_in(tmp_path: Path) -> None:
    profiles = copy_profiles(tmp_path)
    record = "    on_record:\n      inventory: {claimed: false}\n      carrier:\n        apns: &ordered"
    change(profiles / "pier-kiosk.sites.yaml", "    on_record:\n      carrier:\n        apns: &ordered", record)
    change(profiles / "pier-kiosk.yaml", "checked_in: 30", "checked_in: 8")
    done, verdict, _ = prove(profiles / "pier-kiosk.yaml", tmp_path / "runs")
    stage, said = missed(verdict)
    assert (done.returncode, stage) == (1, "checked_in")
    assert "SL-K4-0011" in said and "404" in said, said  # RFC 8040 section 7: 404 invalid-value


def test_a_corrupted_image_fails_at_upgraded(tmp_path: Path) -> None:
    profiles = copy_profiles(tmp_path)
    record = "    on_record:\n      firmware: {damage: corrupted}\n      carrier:\n        apns: &ordered"
    change(profiles / "pier-kiosk.sites.yaml", "    on_record:\n      carrier:\n        apns: &ordered", record)
    change(profiles / "pier-kiosk.yaml", "upgraded: 60", "upgraded: 12")
    done, verdict, _ = prove(profiles / "pier-kiosk.yaml", tmp_path / "runs")
    stage, said = missed(verdict)
    assert (done.returncode, stage) == (1, "upgraded")
    assert "sha-256" in said.lower() or "hash" in said.lower(), said


def test_until_stops_there(tmp_path: Path) -> None:
    done, verdict, _ = prove(ROOT / "profiles/pier-kiosk.yaml", tmp_path, "--until", "online", "--site", "grey-holm")
    assert done.returncode == 0, done.stdout
    assert [s["stage"] for s in verdict["stages"]] == STAGES[:3]


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["prove", "no-such.yaml"], "no-such.yaml"),
        (["prove", "README.md"], "README.md"),
        (["prove", "profiles/pier-kiosk.yaml", "--site", "atlantis"], "no site 'atlantis'"),
        (["prove", "profiles/pier-kiosk.yaml", "--until", "lunch"], "lunch"),
    ],
)
def test_bad_input_is_one_message_and_exit_2(args: list[str], said: str) -> None:
    command = [sys.executable, "-m", "harness.cli", *args]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=ROOT, check=False)
    assert done.returncode == 2
    assert said in done.stderr and "Traceback" not in done.stderr


def test_no_engine_is_exit_3() -> None:
    command = [sys.executable, "-m", "harness.cli", "prove", "profiles/pier-kiosk.yaml"]
    environment = os.environ | {"DOCKER_HOST": "unix:///nonexistent/engine.sock"}
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=ROOT, env=environment, check=False)
    assert done.returncode == 3
    assert "prepare" in done.stderr and "Traceback" not in done.stderr
