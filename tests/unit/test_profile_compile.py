"""A plan is total, says what profile and site say, and holds no secret's value."""

from __future__ import annotations

import ipaddress
import json
import shutil
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
import yaml

from emulators.common.record import from_json, to_json
from harness.core.model import Plan
from harness.core.registry import load_stages
from harness.core.sections import Radius, SecretRef
from harness.errors import InputError
from harness.profile.compile import compile_plan, site_names
from harness.profile.hardware import HARDWARE
from harness.profile.load import load_profile
from harness.profile.schema import DEFAULT_BUDGETS_S, Budgets, schema
from harness.profile.secrets import find_secrets, find_weak_secrets, resolve_secrets
from harness.profile.sites import sites_schema

DEMOS = Path(__file__).parents[2] / "profiles"
KIOSK, OFFICE = DEMOS / "pier-kiosk.yaml", DEMOS / "harbour-office.yaml"
EVERY = [(path, site) for path in (KIOSK, OFFICE) for site in site_names(load_profile(path))]


@pytest.fixture
def folder(tmp_path):
    return Path(shutil.copytree(DEMOS, tmp_path / "profiles"))


@pytest.mark.parametrize(("path", "site"), EVERY)
@pytest.mark.parametrize("pace", ["fast", "field"])
def test_every_demo_site_compiles_and_survives_json(path, site, pace):
    plan = compile_plan(load_profile(path), site, pace, None)
    assert from_json(Plan, json.loads(json.dumps(to_json(plan)))) == plan
    secrets = resolve_secrets(plan)
    assert secrets
    assert find_weak_secrets(plan, secrets) == ()
    text = json.dumps(to_json(plan))
    assert not [ref for ref, value in secrets.items() if f'"{value}"' in text]
    assert all(ref.startswith(f"file:{DEMOS}/secrets/") for ref in secrets)


def test_addresses_follow_from_subnets():
    plan = compile_plan(load_profile(KIOSK), "tarnholm-slip", "fast", None)
    for segment in plan.branch.segments:
        interface = ipaddress.IPv4Interface(segment.address)
        assert interface.ip == next(interface.network.hosts())
        for address in (segment.dhcp.first, segment.dhcp.last):
            assert ipaddress.IPv4Address(address) in interface.network
    guest = plan.branch.segments[2]
    assert (guest.address, guest.dhcp.first, guest.dhcp.last) == ("10.61.2.129/25", "10.61.2.138", "10.61.2.238")
    assert plan.branch.tunnel.local_subnets == ("10.61.2.0/26", "10.61.2.64/26")


def test_placeholders_are_filled_for_the_site():
    kiosk = compile_plan(load_profile(KIOSK), "grey-holm", "fast", None).branch
    assert kiosk.tunnel.local_id == "grey-holm.kiosk.skerry-line.example"
    assert kiosk.tunnel.psk == SecretRef(f"file:{DEMOS}/secrets/pier-kiosk-psk-grey-holm.txt")
    office = compile_plan(load_profile(OFFICE), "dunmarrow", "fast", None).branch
    assert office.tunnel.local_id == "dunmarrow-office.branch.skerry-line.example"
    assert office.tunnel.psk is None
    assert office.sims[0].pin == SecretRef(f"file:{DEMOS}/secrets/harbour-office-pin.txt")


def test_only_the_fields_pace_adds_the_hardwares_waits():
    loaded = load_profile(KIOSK)
    fast = compile_plan(loaded, "ossay-pier", "fast", None)
    field = compile_plan(loaded, "ossay-pier", "field", "tunnel_up")
    assert fast.branch.acceptance.budgets_s == loaded.profile.acceptance.budgets_s.model_dump()
    added = {s: b - fast.branch.acceptance.budgets_s[s] for s, b in field.branch.acceptance.budgets_s.items()}
    waits = HARDWARE["coastal-4"].field
    assert {stage: more for stage, more in added.items() if more} == {
        "powered": waits.boot_s,
        "wan_obtained": waits.modem_registration_s,
        "upgraded": waits.flash_write_s + waits.boot_s + waits.modem_registration_s,
    }
    assert field.until == "tunnel_up"
    assert max(fast.waits.boot_s, fast.waits.flash_write_s, fast.waits.modem_registration_s) < 1


def test_records_say_what_profile_and_site_say_unless_told_otherwise(folder):
    office = compile_plan(load_profile(OFFICE), "selwick-harbour", "fast", None)
    carrier = office.records.carrier
    assert carrier.apns == office.branch.sims[0].apns[:1]
    assert (carrier.mtu, carrier.rsrp_dbm, carrier.rsrq_db, carrier.sinr_db) == (1428, -92.0, -11.0, 12.0)
    assert (carrier.down_bps, carrier.up_bps, carrier.delay_ms, carrier.jitter_ms) == (
        40_000_000,
        15_000_000,
        25.0,
        2.0,
    )
    assert office.records.inventory.serial == office.branch.serial
    assert office.records.headquarters.branch_subnets == office.branch.tunnel.local_subnets

    sites = yaml.safe_load((folder / "pier-kiosk.sites.yaml").read_text())
    sites["sites"]["ossay-pier"]["on_record"] = {
        "carrier": {"active": False, "pin": "env:PIN", "apns": []},
        "inventory": {"claimed": False, "serial": "OTHER", "owner": "Someone"},
        "headquarters": {
            "psk": "file:other.txt",
            "esp_proposals": ["aes256-sha256"],
            "branch_subnets": ["10.9.0.0/24"],
        },
        "firmware": {"damage": "corrupted"},
    }
    (folder / "pier-kiosk.sites.yaml").write_text(yaml.safe_dump(sites))
    records = compile_plan(load_profile(folder / "pier-kiosk.yaml"), "ossay-pier", "fast", None).records
    assert (records.carrier.active, records.carrier.apns, records.carrier.pin) == (False, (), SecretRef("env:PIN"))
    assert (records.inventory.claimed, records.inventory.serial, records.inventory.owner) == (False, "OTHER", "Someone")
    assert records.inventory.profile == "pier-kiosk"
    assert records.headquarters.psk == SecretRef(f"file:{folder}/other.txt")
    assert records.headquarters.ike_proposals == ("aes256gcm16-prfsha384-ecp256",)
    assert records.headquarters.branch_subnets == ("10.9.0.0/24",)
    assert records.firmware.damage == "corrupted"


def test_budgets_left_out_have_defaults(folder):
    profile = yaml.safe_load((folder / "pier-kiosk.yaml").read_text())
    del profile["acceptance"]["budgets_s"]
    (folder / "pier-kiosk.yaml").write_text(yaml.safe_dump(profile))
    plan = compile_plan(load_profile(folder / "pier-kiosk.yaml"), "ossay-pier", "fast", None)
    assert plan.branch.acceptance.budgets_s == DEFAULT_BUDGETS_S


def test_budgets_are_of_the_stages_that_there_are():
    assert list(Budgets.model_fields) == [stage.name for stage in load_stages()]


def test_unknown_site_and_stage_name_the_nearest():
    loaded = load_profile(KIOSK)
    with pytest.raises(InputError, match="nearest: ossay-pier"):
        compile_plan(loaded, "osay-pier", "fast", None)
    with pytest.raises(InputError, match="nearest: tunnel_up"):
        compile_plan(loaded, "ossay-pier", "fast", "tunel_up")


def test_secrets_are_relative_to_the_file_that_names_them(folder):
    (folder / "papers").mkdir()
    sites = (folder / "pier-kiosk.sites.yaml").read_text()
    (folder / "papers" / "sites.yaml").write_text(sites.replace("file:secrets/", "file:"))
    (folder / "papers" / "pier-kiosk-apn.txt").write_text("from-the-carriers-letter\r\n")
    profile = (folder / "pier-kiosk.yaml").read_text().replace("pier-kiosk.sites.yaml", "papers/sites.yaml")
    (folder / "pier-kiosk.yaml").write_text(profile)
    plan = compile_plan(load_profile(folder / "pier-kiosk.yaml"), "ossay-pier", "fast", None)
    auth = plan.records.carrier.apns[0].auth
    assert auth is not None
    secrets = resolve_secrets(plan)
    assert secrets[auth.password.ref] == "from-the-carriers-letter"
    assert secrets[f"file:{folder}/secrets/pier-kiosk-apn.txt"] == "demo-only-kiosk-apn-password"


def test_secrets_from_the_environment(folder):
    text = (folder / "harbour-office.yaml").read_text()
    (folder / "harbour-office.yaml").write_text(text.replace("file:secrets/harbour-office-pin.txt", "env:OFFICE_PIN"))
    plan = compile_plan(load_profile(folder / "harbour-office.yaml"), "dunmarrow", "fast", None)
    assert ("branch.sims[0].pin", SecretRef("env:OFFICE_PIN")) in list(find_secrets(plan))
    assert resolve_secrets(plan, {"OFFICE_PIN": "2580"})["env:OFFICE_PIN"] == "2580"
    with pytest.raises(InputError, match=r"branch\.sims\[0\]\.pin: env:OFFICE_PIN: .*no such environment variable"):
        resolve_secrets(plan, {})


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("harbour-office-pin.txt", b"258", "4 to 8 digits"),  # ETSI TS 102 221 §9.5.1 (clause from memory)
        ("harbour-office-pin.txt", b"25 80", "4 to 8 digits"),
        ("harbour-office-snmp-auth.txt", b"seven77", "at least 8 characters"),  # RFC 3414 §11.2
        ("harbour-office-apn.txt", b"", "saw nothing"),
        ("harbour-office-apn.txt", b"\n", "saw nothing"),
        ("harbour-office-apn.txt", b"one\ntwo\n", "one line"),
        ("harbour-office-apn.txt", b"\xff\xfe", "UTF-8"),
        ("harbour-office-apn.txt", b"x" * 5000, "at most 4096 bytes"),
        ("harbour-office-apn.txt", None, "no such file"),
    ],
)
def test_a_secret_that_cannot_be_one_is_refused_and_not_shown(folder, name, content, words):
    plan = compile_plan(load_profile(folder / "harbour-office.yaml"), "dunmarrow", "fast", None)
    file = folder / "secrets" / name
    file.unlink() if content is None else file.write_bytes(content)
    with pytest.raises(InputError, match=words) as error:
        resolve_secrets(plan)
    assert name in str(error.value)
    assert not content or content.decode("latin-1").strip() == "" or content.decode("latin-1") not in str(error.value)


def test_a_short_pre_shared_key_is_weak(folder):
    (folder / "secrets" / "pier-kiosk-psk-ossay-pier.txt").write_text("nineteen-characters")
    plan = compile_plan(load_profile(folder / "pier-kiosk.yaml"), "ossay-pier", "fast", None)
    weak = find_weak_secrets(plan, resolve_secrets(plan))
    assert [problem.key for problem in weak] == ["branch.tunnel.psk", "records.headquarters.psk"]


def test_a_short_radius_secret_is_weak(folder, monkeypatch):
    """RFC 2865 section 3: preferably at least 16 octets."""
    plan = compile_plan(load_profile(folder / "pier-kiosk.yaml"), "ossay-pier", "fast", None)
    radius = Radius("10.200.0.10", 1812, SecretRef("env:RADIUS_SECRET"))
    plan = replace(plan, branch=replace(plan.branch, radius=radius))
    weak = {}
    for secret in ("fifteen-octets-", "sixteen-octets--"):
        monkeypatch.setenv("RADIUS_SECRET", secret)
        weak[secret] = [problem.key for problem in find_weak_secrets(plan, resolve_secrets(plan))]
    assert weak == {"fifteen-octets-": ["branch.radius.secret"], "sixteen-octets--": []}


def test_json_schema_takes_the_demos_and_refuses_slips():
    """Judged by the jsonschema library, an implementation of draft 2020-12 of its own."""
    profile, sites = yaml.safe_load(KIOSK.read_text()), yaml.safe_load((DEMOS / "pier-kiosk.sites.yaml").read_text())
    validator, sites_validator = (jsonschema.Draft202012Validator(s) for s in (schema(), sites_schema()))
    validator.check_schema(schema())
    validator.check_schema(sites_schema())
    assert list(validator.iter_errors(profile)) == []
    assert list(validator.iter_errors(yaml.safe_load(OFFICE.read_text()))) == []
    assert list(sites_validator.iter_errors(sites)) == []
    for key, value in (("hardware", "costal-4"), ("release", 2.4), ("vlan", 3), ("owner", None), ("sims", [])):
        assert list(validator.iter_errors({**profile, key: value})), key
    sites["sites"]["ossay-pier"]["mac"] = "0:0:5e:0:53:11"
    assert len(list(sites_validator.iter_errors(sites))) == 1


def test_every_field_of_the_schemas_is_described():
    for name, whole in (("profile", schema()), ("sites", sites_schema())):
        for model in (whole, *whole["$defs"].values()):
            bare = [key for key, field in model["properties"].items() if not field.get("description")]
            assert not bare, (name, model["title"], bare)
