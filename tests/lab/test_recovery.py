"""What makes a remote router recoverable, seen in a real lab: it goes back to a release that works, and to a
configuration with which it reaches its management; and a power cut at a bad moment leaves it bootable."""

from __future__ import annotations

import dataclasses
import hashlib
import secrets
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from emulators.common.firmware import pack
from harness.core.model import Ask, Observation, Plan, PowerOn
from harness.core.sections import Health
from harness.lab.docker_lab import DockerLab, make_materials
from harness.lab.firmware import FULL_FEATURES, OS_NAME, load_runtime_files
from harness.lab.seeds import Materials
from harness.profile.compile import compile_plan
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.lab


class Bench:
    """A started lab, and all that was seen in it."""

    def __init__(self, lab: DockerLab) -> None:
        self.lab = lab
        self.seen: list[Observation] = []

    def wait_for(
        self, kind: str, timeout_s: float, where: Callable[[Observation], bool] = lambda o: True
    ) -> Observation:
        """Return the next observation of a kind. Fails with what was seen instead."""
        deadline_ns = time.monotonic_ns() + int(timeout_s * 1e9)
        while (observation := self.lab.wait_observation(deadline_ns)) is not None:
            self.seen.append(observation)
            if observation.kind == kind and where(observation):
                return observation
        last = "\n".join(f"{o.source} {o.kind} {dict(o.data)}" for o in self.seen[-12:] if "at." not in o.kind)
        raise AssertionError(f"no {kind} within {timeout_s} s; last:\n{last}")


@contextmanager
def bench(plan: Plan, materials: Materials | None = None) -> Iterator[Bench]:
    lab = DockerLab(plan, resolve_secrets(plan), secrets.token_hex(3), materials=materials)
    try:
        lab.start()
        lab.perform(PowerOn())
        yield Bench(lab)
    finally:
        lab.stop()


@pytest.fixture
def plan() -> Plan:
    loaded = load_profile(ROOT / "profiles/pier-kiosk.yaml")
    compiled = compile_plan(loaded, "ossay-pier", "fast", None)
    return dataclasses.replace(compiled, branch=dataclasses.replace(compiled.branch, confirm_s=6))


def test_a_release_that_does_not_run_falls_back(plan: Plan) -> None:
    """The image is signed and whole, so it is installed; its program ends at once, so the loader takes the old slot."""
    materials = make_materials(plan)
    files = load_runtime_files() | {"runtime/main.py": b"raise SystemExit('a release that does not run')\n"}
    image = pack(
        files,
        os_name=OS_NAME,
        release=plan.branch.release,
        hardware=plan.hardware.name,
        features=FULL_FEATURES,
        entry="runtime.main",
        image_bytes=plan.hardware.image_bytes,
        private_key_pem=materials.pki.firmware.private_pem,
    ).render()
    broken = dataclasses.replace(materials.release, data=image, sha256=hashlib.sha256(image).hexdigest())
    with bench(plan, dataclasses.replace(materials, release=broken)) as lab:
        trial = lab.wait_for("slot.started", 40, lambda o: o.data["trial"] is True)
        fallen = lab.wait_for("slot.fell_back", 30)
        again = lab.wait_for("slot.started", 30)
    assert (trial.data["slot"], trial.data["release"]) == ("b", plan.branch.release)
    assert (fallen.data["from_slot"], fallen.data["to_slot"]) == ("b", "a")
    assert (again.data["slot"], again.data["release"]) == ("a", plan.hardware.factory_release)
    assert not any(o.kind == "slot.confirmed" and o.data["slot"] == "b" for o in lab.seen)


def test_a_configuration_that_is_not_confirmed_is_taken_back(plan: Plan) -> None:
    """The carrier loses everything from the moment the configuration is applied: management cannot be reached over it,
    so the device must go back and, once it can, say so (RFC 8572 section 5.6: config-error)."""
    with bench(plan) as lab:
        applied = lab.wait_for("config.applied", 90)  # TLS to management takes three round trips of 50 ms from here
        record = plan.records.carrier
        link = {"down_bps": record.down_bps, "up_bps": record.up_bps, "delay_ms": 25.0, "jitter_ms": 0.0}
        lab.lab.perform(Ask("carrier", "link", {**link, "loss_pct": 100.0}, "test.cut"))
        back = lab.wait_for("config.rolled_back", 40)
        lab.lab.perform(Ask("carrier", "link", {**link, "loss_pct": 0.0}, "test.mend"))
        report = lab.wait_for("report.received", 60, lambda o: o.data["progress_type"] == "config-error")
    assert back.data["digest"] == applied.data["digest"]
    assert report.data["status"] == 204
    assert not any(o.kind == "report.received" and o.data["progress_type"] == "bootstrap-complete" for o in lab.seen)


def test_a_power_cut_while_the_image_is_fetched_leaves_it_bootable(plan: Plan) -> None:
    with bench(plan) as lab:
        lab.wait_for("bootstrap.progressed", 60, lambda o: o.data["step"] == "boot-image-mismatch")
        lab.lab.power_cut()
        lab.lab.perform(PowerOn())
        started = lab.wait_for("slot.started", 30)
        lab.wait_for("report.received", 90, lambda o: o.data["progress_type"] == "bootstrap-complete")
    assert (started.data["slot"], started.data["boot_count"]) == ("a", 2)


def test_the_second_uplink_takes_over_and_gives_back() -> None:
    """Ethernet first, cellular second: the fixed line goes dead at the provider, then comes back. HQ must see the
    branch from the carrier's address, then from the fixed line's again; what the router says does not count here."""
    loaded = load_profile(ROOT / "profiles/harbour-office.yaml")
    compiled = compile_plan(loaded, "selwick-harbour", "fast", None)
    branch = dataclasses.replace(compiled.branch, health=Health("198.18.0.1", 0.5, 2), heartbeat_s=2)
    with bench(dataclasses.replace(compiled, branch=branch)) as lab:
        first = lab.wait_for("sa.established", 90)
        _set_line(lab, "down")
        second = lab.wait_for("sa.established", 60)
        _set_line(lab, "up")
        third = lab.wait_for("sa.established", 60)
    assert [s.data["remote"].split(":")[0] for s in (first, second, third)] == [
        first.data["remote"].split(":")[0],
        "198.18.0.10",
        first.data["remote"].split(":")[0],
    ]
    assert first.data["remote"].startswith("198.18.64.")


def _set_line(lab: Bench, state: str) -> None:
    """Take the provider's end of the fixed line down or up, from outside the router."""
    command = ["docker", "exec", f"bp-{lab.lab.run_id}-internet", "ip", "link", "set", "dev", "fixed", state]
    subprocess.run(command, check=True, timeout=30)
