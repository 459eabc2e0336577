"""Admission in a lab, as far as its proof by `prove` and its spoiled twin do not show it.

The daemons are hostapd, wpa_supplicant and FreeRADIUS; who was let in is the server's own word.
"""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import pytest

from harness.core.admission_cast import list_ports
from harness.run_folder import load_run
from tests.lab.test_prove import ROOT, Run, change, copy_profiles, prove

pytestmark = pytest.mark.lab
ONLY = ("--only", "admission")


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """A run of the harbour office, whose office lets new devices in while no RADIUS server answers."""
    return prove(ROOT / "profiles/harbour-office.yaml", tmp_path_factory.mktemp("office"), *ONLY)


def events(folder: Path, source: str, kind: str) -> list[dict[str, Any]]:
    """Return the data of all events of a kind, in order."""
    seen = [entry.observation for entry in load_run(folder).tape if entry.observation is not None]
    return [dict(o.data) for o in sorted(seen, key=lambda o: o.at_ns) if (o.source, o.kind) == (source, kind)]


def test_who_came_in_without_a_server_goes_out_when_it_is_back(office: Run) -> None:
    done, _, folder = office
    assert done.returncode == 0, done.stdout + done.stderr
    newcomer = next(p.newcomer for p in list_ports(load_run(folder).plan) if p.newcomer is not None)
    granted = [e for e in events(folder, "router", "admission.granted") if e["mac"] == newcomer.mac]
    refused = [e for e in events(folder, "router", "admission.refused") if e["mac"] == newcomer.mac]
    assert [e["method"] for e in granted][:1] == ["unreachable"]
    assert [e["reason"] for e in refused] == ["a server answers again"]


def test_router_and_server_say_the_same_of_each_device(office: Run) -> None:
    _, _, folder = office
    accepted = {
        (e["mac"], e["eap"]) for e in events(folder, "hq-endpoint", "radius.answered") if e["outcome"] == "accept"
    }
    granted = {(e["mac"], e["method"]) for e in events(folder, "router", "admission.granted")}
    by_server = {(mac, method) for mac, method in granted if method != "unreachable"}
    assert by_server
    assert by_server <= accepted
    assert {eap for _, eap in accepted - granted} == {"tls"}  # right by a method that the office does not take


def test_no_key_or_password_of_the_run_is_in_its_evidence(office: Run) -> None:
    _, _, folder = office
    secret = (ROOT / "profiles/secrets/harbour-office-radius.txt").read_text().strip().encode()
    for file in (f for f in folder.rglob("*") if f.is_file()):
        content = file.read_bytes()
        assert secret not in content, file
        assert base64.b64encode(secret) not in content, file
        assert b"PRIVATE KEY-----\n" not in content and b"PRIVATE KEY-----\\n" not in content, file


def test_a_device_that_fails_a_list_lands_where_the_profile_says(tmp_path: Path) -> None:
    profiles = copy_profiles(tmp_path)
    change(profiles / "harbour-office.yaml", '"00:00:5e:00:53:22"]}', '"00:00:5e:00:53:22"], refused: guest}')
    done, verdict, _ = prove(profiles / "harbour-office.yaml", tmp_path / "runs", *ONLY)
    assert done.returncode == 0, done.stdout + done.stderr
    landed = [f for f in verdict["checks"] if "a device that is not listed lands in guest" in f["claim"]]
    assert [f["outcome"] for f in landed] == ["PASS"]
