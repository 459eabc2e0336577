"""Seeds: what each stand-in is told. Against the stand-ins' own readers (DeviceConfig, Link, the firmware format, the
management server's identity reader), and against the rule that others know the site by their own records only."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from emulators.common.device_config import DeviceConfig
from emulators.common.firmware import FirmwareError, verify
from emulators.common.links import Link
from emulators.common.record import from_json
from emulators.management.identity import read_identity
from emulators.router.runtime.apply.check import check_config
from harness.core.model import FirmwareRecord, Plan, Records
from harness.lab.compose_file import load_topology
from harness.lab.docker_lab import make_materials, select_for_plan
from harness.lab.seeds import Materials, build_seeds, render_seed
from harness.lab.topology import choose_subnets, for_run
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets

PROFILES = Path(__file__).resolve().parents[2] / "profiles"
NAMES = ("pier-kiosk", "harbour-office")


@cache
def prepared(name: str) -> tuple[Plan, dict[str, str], Materials]:
    loaded = load_profile(PROFILES / f"{name}.yaml")
    plan = compile_plan(loaded, site_names(loaded)[0], "fast")
    return plan, resolve_secrets(plan), make_materials(plan)


def seeds_of(name: str, records: Records | None = None) -> dict[str, Any]:
    plan, secrets, materials = prepared(name)
    plan = plan if records is None else replace(plan, records=records)
    topology = select_for_plan(load_topology(), plan)
    topology = for_run(topology, "abc123", choose_subnets(topology.networks, [], 5))
    return build_seeds(plan, secrets, materials, topology, "abc123")


@pytest.mark.parametrize("name", NAMES)
def test_every_node_has_a_seed_of_one_line_with_its_links(name: str) -> None:
    plan, _, _ = prepared(name)
    topology = select_for_plan(load_topology(), plan)
    seeds = seeds_of(name)
    assert set(seeds) == {s.name for s in topology.services.values() if s.network_mode != "host"}
    for node, seed in seeds.items():
        line = render_seed(seed)
        assert line.count(b"\n") == 1 and json.loads(line) == seed and seed["node"] == node
        links = [from_json(Link, item) for item in seed["links"]]
        assert [link.name for link in links] == [end.network for end in topology.services[node].attachments]


@pytest.mark.parametrize("name", NAMES)
def test_the_router_would_accept_its_configuration(name: str) -> None:
    """By the device's own strict reader and its check of the meaning."""
    plan, _, _ = prepared(name)
    config = from_json(DeviceConfig, seeds_of(name)["management"]["settings"]["config"])
    assert config.hostname == plan.branch.hostname and len(config.segments) == len(plan.branch.segments)
    check_config(config)
    assert config.tunnel.psk or (config.tunnel.certificate_pem and config.tunnel.key_pem)


@pytest.mark.parametrize("name", NAMES)
def test_secrets_are_values_and_no_reference_is_left(name: str) -> None:
    _, secrets, _ = prepared(name)
    text = json.dumps(seeds_of(name))
    assert secrets and all(json.dumps(value)[1:-1] in text for value in secrets.values())
    assert not any(ref in text for ref in secrets)


@pytest.mark.parametrize("name", NAMES)
def test_firmware_images_verify_with_the_key_the_router_trusts(name: str) -> None:
    plan, _, _ = prepared(name)
    seeds = seeds_of(name)
    public = seeds["router"]["settings"]["trust"]["firmware_public_key_pem"]
    factory = base64.b64decode(seeds["router"]["settings"]["factory"]["image_base64"])
    served = seeds["management"]["settings"]["firmware"]
    image = base64.b64decode(served["image_base64"])
    assert verify(factory, public, plan.hardware.name).release == plan.hardware.factory_release
    assert verify(image, public, plan.hardware.name).release == plan.branch.release == served["release"]
    assert hashlib.sha256(image).hexdigest() == served["sha256"]


def test_a_corrupted_store_serves_another_image_under_the_right_hash() -> None:
    plan, _, _ = prepared("pier-kiosk")
    records = replace(plan.records, firmware=FirmwareRecord("corrupted"))
    served = seeds_of("pier-kiosk", records)["management"]["settings"]["firmware"]
    image = base64.b64decode(served["image_base64"])
    assert hashlib.sha256(image).hexdigest() != served["sha256"]
    whole = base64.b64decode(seeds_of("pier-kiosk")["management"]["settings"]["firmware"]["image_base64"])
    assert len(whole) == len(image) and sum(a != b for a, b in zip(whole, image, strict=True)) == 1
    public = seeds_of("pier-kiosk")["router"]["settings"]["trust"]["firmware_public_key_pem"]
    with pytest.raises(FirmwareError):
        verify(image, public, plan.hardware.name)


@pytest.mark.parametrize("name", NAMES)
def test_the_device_is_who_its_certificate_says(name: str) -> None:
    """Read by the management server's own reader, from the DER that TLS would show."""
    plan, _, _ = prepared(name)
    identity = seeds_of(name)["router"]["settings"]["identity"]
    certificate = x509.load_pem_x509_certificate(identity["certificate_pem"].encode())
    seen = read_identity(certificate.public_bytes(Encoding.DER))
    assert (seen.serial, seen.mac) == (plan.branch.serial, plan.branch.mac)


def test_others_know_the_site_by_their_own_records() -> None:
    plan, _, _ = prepared("pier-kiosk")
    records = replace(
        plan.records,
        carrier=replace(plan.records.carrier, active=False, apns=(), mtu=1280),
        inventory=replace(plan.records.inventory, serial="OTHER"),
        headquarters=replace(
            plan.records.headquarters, branch_subnets=("10.99.0.0/24",), esp_proposals=("aes128gcm16-ecp256",)
        ),
    )
    seeds = seeds_of("pier-kiosk", records)
    assert seeds["carrier"]["settings"]["subscribers"][0] | {"imsi": ""} == {
        "imsi": "", "active": False, "roaming_allowed": True, "apns": [],
    }  # fmt: skip
    assert seeds["management"]["settings"]["inventory"][0]["serial"] == "OTHER"
    tunnel = seeds["hq-gateway"]["settings"]["tunnel"]
    assert tunnel["remote_subnets"] == ["10.99.0.0/24"] and tunnel["esp_proposals"] == ["aes128gcm16-ecp256"]
    assert seeds["router"]["settings"]["identity"]["serial"] == plan.branch.serial
    unclaimed = replace(records, inventory=replace(records.inventory, claimed=False))
    assert seeds_of("pier-kiosk", unclaimed)["management"]["settings"]["inventory"] == []


def test_names_of_the_plan_lead_to_the_bench() -> None:
    zones = seeds_of("pier-kiosk")["internet"]["settings"]["zones"]
    assert zones["boot.skerry-line.example"] == "198.18.0.20"
    assert zones["hq.skerry-line.example"] == "198.18.0.30"
    assert zones["time.skerry-line.example"] == "198.18.0.1"


def test_the_fixed_line_is_there_only_where_it_is_an_uplink() -> None:
    kiosk, office = seeds_of("pier-kiosk"), seeds_of("harbour-office")
    assert kiosk["internet"]["settings"]["fixed_line"] is None
    assert "fixed" not in [link["name"] for link in kiosk["router"]["links"]]
    plan, _, _ = prepared("harbour-office")
    has_line = "ethernet" in plan.branch.uplinks
    assert (office["internet"]["settings"]["fixed_line"] is not None) is has_line
