"""Every mistake in a profile is found, all at once, at its place, without showing a secret."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from harness.errors import InputError
from harness.profile.load import LoadedProfile, load_profile

DEMOS = Path(__file__).parents[2] / "profiles"
KIOSK, OFFICE = "pier-kiosk.yaml", "harbour-office.yaml"
KIOSK_SITES, OFFICE_SITES = "pier-kiosk.sites.yaml", "harbour-office.sites.csv"


@pytest.fixture
def folder(tmp_path):
    return Path(shutil.copytree(DEMOS, tmp_path / "profiles"))


def edit(file: Path, *pairs: tuple[str, str]) -> None:
    text = file.read_text()
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    file.write_text(text)


def place(file: Path, needle: str) -> str:
    """Return ``line:column`` of the first occurrence, counted by this test's own means."""
    before = file.read_text().split(needle, 1)[0]
    return f"{before.count(chr(10)) + 1}:{len(before.rsplit(chr(10), 1)[-1]) + 1}"


def complaints(path: Path) -> list[str]:
    with pytest.raises(InputError) as error:
        load_profile(path)
    assert error.value.exit_code == 2
    return [str(problem) for problem in error.value.problems]


def complaint(path: Path) -> str:
    found = complaints(path)
    assert len(found) == 1, found
    return found[0]


@pytest.mark.parametrize(("name", "sites"), [(KIOSK, 4), (OFFICE, 3)])
def test_demos_load_without_warnings(name, sites):
    loaded = load_profile(DEMOS / name)
    assert isinstance(loaded, LoadedProfile)
    assert len(loaded.sites) == sites
    assert loaded.warnings == ()
    assert len(loaded.digest) == 64


PROFILE_SLIPS = [  # (old, new, where the complaint points: text after the edit, key path, words)
    ('release: "2.4.0"', "release: 1.10", "release", "release", 'saw the number 1.10; quote it: "1.10"'),
    ("hardware: coastal-4", "hardware: costal-4", "hardware", "hardware", "nearest: coastal-4"),
    ("owner: Skerry", "ownr: Skerry", "ownr", "ownr", "unknown key; nearest: owner"),
    ("format: 1", "format: true", "format", "format", "expected a whole number, saw true"),
    ("count: 10,", 'count: "10",', "count", "acceptance.ping.count", "expected a whole number, saw '10'"),
    ("isolated: true", "isolated: 1", "isolated", "segments[2].isolated", "expected true or false, saw the number 1"),
    ("wan_obtained: 30", "wan_obtaned: 30", "wan_obtaned", "acceptance.budgets_s.wan_obtaned", "nearest: wan_obtained"),
    ("online: 30", "online: 0", "online", "acceptance.budgets_s.online", "greater than 0, saw the number 0"),
    ("vlan: 20", "vlan: 10", "vlan: 10\n    ports: [2]", "segments[1].vlan", "VLAN id 10 stands twice"),
    ("vlan: 20", "vlan: 4095", "vlan: 4095", "segments[1].vlan", "less than or equal to 4094"),
    ("vlan: 20", "vlan: 0", "vlan: 0", "segments[1].vlan", "greater than or equal to 1"),
    ("ports: [2]", "ports: [1]", "1]\n    admission: {method: dot1x, eap: [peap",
     "segments[1].ports[0]", "port 1 stands twice"),
    ("ports: [2]", "ports: [5]", "5]", "segments[1].ports[0]", "coastal-4 has LAN ports 1 to 4, saw 5"),
    ("slot: 1", "slot: 3", "slot: 3", "sims[0].slot", "coastal-4 has SIM slots 1 to 2, saw 3"),
    ("order: [cellular]", "order: [celular]", "celular", "uplinks.order[0]", "expected 'cellular' or 'ethernet'"),
    ("reach: [internet]", "reach: [internet, tlil]", "tlil", "segments[2].reach[1]", "'tlil'; nearest: till"),
    ("reach_from: [hq]\n  contact", "reach_from: [internet]\n  contact", "internet]\n  contact",
     "monitoring.reach_from[0]", "nothing here is called 'internet'"),
    ("local_segments: [till, staff]", "local_segments: [till]", "hq, internet", "segments[1].reach[0]",
     "nothing would carry it"),
    ("first_host: 10, last_host: 110", "first_host: 1, last_host: 110", "first_host: 1,", "segments[2].dhcp.first_host",
     "the router's own address"),
    ("first_host: 10, last_host: 110", "first_host: 111, last_host: 110", "last_host: 110",
     "segments[2].dhcp.last_host", "expected 111 (first_host) or more"),
    ("name: kiosk.skerry", "name: rnc.skerry", "name: rnc", "sims[0].apns[1].name", "TS 23.003"),
    ("esp_proposals: [aes256gcm16", "esp_proposals: [des-sha256, aes256gcm16", "des-sha256",
     "tunnel.esp_proposals[0]", "MUST NOT"),
    ("remote_subnets: [10.200.0.0/24]", "remote_subnets: [10.200.0.0/24, 10.200.0.0/16]", "10.200.0.0/16",
     "tunnel.remote_subnets[1]", "overlaps 10.200.0.0/24"),
    ("ping: {target: 10.200.0.10", "ping: {target: 10.201.0.10", "target: 10.201", "acceptance.ping.target",
     "in none of tunnel.remote_subnets"),
    ("ping: {target: 10.200.0.10", "ping: {target: 10.200.0.1", "target: 10.200.0.1,", "acceptance.ping.target",
     "the gateway's own address"),
    ("method: psk, psk", "method: certificate, psk", "auth: {method: certificate", "tunnel.auth", "takes none"),
    ("sites: pier-kiosk.sites.yaml", "sites: nowhere.yaml", "sites:", "sites", "No such file"),
    ("owner: Skerry Line", "owner: Skerry Line\nowner: Other", "owner: Other", "owner",
     "stands twice, first in line 8"),
]  # fmt: skip


@pytest.mark.parametrize("slip", PROFILE_SLIPS, ids=lambda slip: f"{slip[3]}-{slip[1]:.20}")
def test_a_slip_in_the_profile_is_found_at_its_place(folder, slip):
    old, new, needle, key, words = slip
    file = folder / KIOSK
    edit(file, (old, new))
    lines = [line for line in complaints(file) if f" {key}: " in line and words in line]
    assert len(lines) == 1, complaints(file)
    assert lines[0].startswith(f"{file}:{place(file, needle)} ")


SITE_SLIPS = [
    ("10.61.2.64/26", "10.61.2.0/26", "staff: 10.61.2.0/26", "tarnholm-slip.subnets.staff",
     "overlaps 10.61.2.0/26 of segment"),
    ("10.61.2.64/26", "10.61.1.0/26", "staff: 10.61.1.0/26", "tarnholm-slip.subnets.staff", "of site ossay-pier"),
    ("guest: 10.61.2.128/25", "guest: 10.200.0.128/25", "guest: 10.200", "tarnholm-slip.subnets.guest",
     "of headquarters"),
    ("guest: 10.61.2.128/25", "guest: 198.18.0.0/25", "guest: 198.18", "tarnholm-slip.subnets.guest",
     "bench's own links"),
    ("guest: 10.61.2.128/25", "guest: 10.61.2.128/26", "guest: 10.61.2.128/26", "tarnholm-slip.subnets.guest",
     "hosts 1 to 62"),
    ("guest: 10.61.2.128/25", "gast: 10.61.2.128/25", "gast", "tarnholm-slip.subnets.gast", "nearest: guest"),
    ("guest: 10.61.2.128/25", "guest: 10.61.2.129/25", "guest: 10.61.2.129", "tarnholm-slip.subnets.guest",
     "expected 10.61.2.128/25"),
    ('iccid: "8999900000000410122"', 'iccid: "8999900000000410212"', 'iccid: "8999900000000410212"',
     "tarnholm-slip.sims[0].iccid", "check digit"),
    ('iccid: "8999900000000410122"', "iccid: 8999900000000410122", "iccid: 8999900000000410122",
     "tarnholm-slip.sims[0].iccid", 'quote it: "8999900000000410122"'),
    ('imsi: "001010000041012"', 'imsi: "001010000041011"', 'imsi: "001010000041011"}]\n    subnets: {till: 10.61.2',
     "tarnholm-slip.sims[0].imsi", "IMSI 001010000041011 stands twice"),
    ('imsi: "001010000041012"', 'imsi: "228010000041012"', 'imsi: "228', "tarnholm-slip.sims[0].imsi", "test network"),
    ('mac: "00:00:5e:00:53:12"', 'mac: "01:00:5e:00:53:12"', 'mac: "01', "tarnholm-slip.mac", "unicast"),
    ("sims: [{slot: 1, iccid: \"8999900000000410122", "sims: [{slot: 2, iccid: \"8999900000000410122", "slot: 2",
     "tarnholm-slip.sims[0].slot", "does not use slot 2"),
    ("rsrp_dbm: -84", "rsrp_dbm: 84", "rsrp_dbm: 84", "tarnholm-slip.on_record.carrier.rsrp_dbm", "less than or equal"),
]  # fmt: skip


@pytest.mark.parametrize("slip", SITE_SLIPS, ids=lambda slip: f"{slip[3]}-{slip[1]:.20}")
def test_a_slip_in_the_sites_is_found_at_its_place(folder, slip):
    old, new, needle, key, words = slip
    file = folder / KIOSK_SITES
    edit(file, (old, new))
    found = complaints(folder / KIOSK)
    lines = [line for line in found if f" sites.{key}: " in line and words in line]
    assert len(lines) == 1, found
    assert lines[0].startswith(f"{file}:{place(file, needle)} ")


def test_all_problems_of_both_files_come_at_once(folder):
    edit(folder / KIOSK, ("vlan: 20", "vlan: 10"), ("hardware: coastal-4", "hardware: costal-4"), ("owner:", "ownr:"))
    edit(folder / KIOSK_SITES, ('mac: "00', 'mac: "01'), ("10.61.2.64/26", "10.61.2.0/26"))
    found = complaints(folder / KIOSK)
    for words in ("VLAN id", "nearest: coastal-4", "nearest: owner", "owner: missing", "unicast", "of segment till"):
        assert sum(words in line for line in found) == 1, words
    assert len(found) == 6


@pytest.mark.parametrize(
    "new",
    [
        "swordfish-7",
        '"swordfish-7"',
        "[swordfish-7]",
        "{swordfish-7: 1}",
        "*swordfish-7",
        "!swordfish-7 x",
        "&swordfish-7",
    ],
)
def test_a_secret_written_out_is_refused_and_not_shown(folder, new):
    edit(folder / KIOSK, ('"file:secrets/pier-kiosk-apn.txt"', new.replace("S", "swordfish-7")))
    found = complaints(folder / KIOSK)
    assert found
    assert "swordfish" not in "".join(found)


def test_a_pin_of_bare_digits_is_refused_and_not_shown(folder):
    edit(folder / OFFICE, ("pin: file:secrets/harbour-office-pin.txt", "pin: 73912"))
    line = complaint(folder / OFFICE)
    assert "sims[0].pin: " in line
    assert "73912" not in line


def test_hardware_decides_what_uplinks_there_are(folder):
    edit(folder / OFFICE, ("hardware: coastal-4", "hardware: islet-2"))
    assert any("islet-2 has no Ethernet WAN" in line for line in complaints(folder / OFFICE))


def test_subnet_of_the_profile_cannot_be_tunnelled_from_many_sites(folder):
    edit(folder / KIOSK, ("    ports: [1]\n", "    ports: [1]\n    subnet: 10.70.0.0/26\n"))
    text = (folder / KIOSK_SITES).read_text()
    for number in range(1, 5):
        text = text.replace(f"till: 10.61.{number}.0/26, ", "")
    (folder / KIOSK_SITES).write_text(text)
    assert "segments[0].subnet: 10.70.0.0/26 overlaps 10.70.0.0/26 of site ossay-pier" in complaint(folder / KIOSK)


def test_what_is_unwise_is_a_warning(folder):
    edit(folder / KIOSK, ("esp_proposals: [", "esp_proposals: [aes256-sha256-modp1024, "))
    edit(folder / KIOSK, ("logging: {server: 10.200.0.10", "logging: {server: 192.0.2.1"))
    warnings = [str(warning) for warning in load_profile(folder / KIOSK).warnings]
    assert len(warnings) == 2
    assert "modp1024 SHOULD NOT be used (RFC 8247)" in warnings[0]
    assert "nothing would witness this log" in warnings[1]


CSV_SLIPS = [
    ("sim1_imsi", "sim1_imzi", "sim1_imzi", "nearest: sim1_imsi"),
    ("SL-H4-0022", "SL-H4-0021", "SL-H4-0021,02:00:5e:62:00:22", "serial sl-h4-0021 stands twice, first in line 3"),
    ("02:00:5e:62:00:22", "02:00:5e:62:00", "02:00:5e:62:00,8999900000000620225", "six pairs of hexadecimal digits"),
    ("10.62.2.64/26", "10.62.2.0/26", "10.62.2.0/26,10.62.2.128", "overlaps 10.62.2.0/26 of segment office"),
    ("ossay-harbour,", "selwick-harbour,", "selwick-harbour,ossay", "the site stands twice, first in line 3"),
    ('"Ossay, ferry terminal"', '"Ossay, ferry terminal', "ossay-harbour", "not CSV"),
    (
        '"Ossay, ferry terminal"',
        "Ossay, ferry terminal",
        "10.62.2.128/26",
        "expected 10 cells as in the heading, saw 11",
    ),
    ("ossay-office", "", "ossay-harbour", "hostname: missing"),
]


@pytest.mark.parametrize(("old", "new", "needle", "words"), CSV_SLIPS)
def test_a_slip_in_a_csv_is_found_at_its_place(folder, old, new, needle, words):
    file = folder / OFFICE_SITES
    edit(file, (old, new))
    lines = [line for line in complaints(folder / OFFICE) if words in line]
    assert len(lines) == 1, complaints(folder / OFFICE)
    assert lines[0].removeprefix(f"{file}:{place(file, needle)}")[0] in " :"


def test_csv_of_an_office_program_loads(folder):
    """Byte order mark and CRLF, as spreadsheets write CSV (RFC 4180 §2 has CRLF)."""
    file = folder / OFFICE_SITES
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes().replace(b"\n", b"\r\n"))
    assert len(load_profile(folder / OFFICE).sites) == 3


HOSTILE = {
    "empty": (b"", "the file is empty"),
    "blank": (b" \n\n", "the file is empty"),
    "comments": (b"# nothing\n", "only comments"),
    "no text": (b"format: 1\nowner: \xff\n", "expected UTF-8 text, saw the byte 0xff"),
    "nul": (b"a: \x00\n", "not YAML"),
    "a list": (b"- 1\n", "expected a mapping"),
    "a word": (b"word\n", "expected a mapping"),
    "two documents": (b"a: 1\n---\nb: 2\n", "not YAML"),
    "unclosed": (b"a: [1, 2\n", "not YAML"),
    "python object": (b"a: !!python/object/apply:os.getcwd []\n", "tags are not used"),
    "binary": (b"a: !!binary aGVsbG8=\n", "tags are not used"),
    "merge": (b"a: &x {b: 1}\nc: {<<: *x}\n", "merge keys"),
    "cycle": (b"a: &x [*x]\n", "an alias stands for something that holds it"),
    "surrogate": (b'a: "\\ud800"\n', "Unicode"),
    "not a number": (b"a: .nan\n", "finite"),
    "infinite": (b"a: 1e400\nb: .inf\n", "finite"),
    "huge number": (b"a: " + b"9" * 30 + b"\n", "too large for a number"),
    "number as key": (b"1: 2\n", "expected a text as key"),
    "list as key": (b"? [a]\n: 2\n", "expected a text as key"),
    "too big": (b"#" * (1024 * 1024 + 1), "expected at most 1048576 bytes"),
    "too deep": (b"[" * 100 + b"]" * 100, "expected at most 32 levels"),
    "far too deep": (b"[" * 5000 + b"]" * 5000, "nesting"),  # libyaml has a limit of its own
    "too many": (b"[" + b"1," * 200_000 + b"]", "expected at most 100000 values"),
    "alias ladder": (b"".join(b"a%d: &a%d [%s]\n" % (i, i, b"*a%d" % (i - 1) if i else b"1") for i in range(200)),
                     "aliases nest more than 32 levels"),
    "alias bomb": (b"a: &a [1,1,1,1,1,1,1,1,1,1]\n" + b"".join(
        b"%c: &%c [%s]\n" % (c, c, b",".join([b"*%c" % (c - 1)] * 10)) for c in range(98, 108)),
        "aliases expand to more than 100000 values"),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_bytes_give_one_clear_error(tmp_path, name):
    content, words = HOSTILE[name]
    file = tmp_path / "p.yaml"
    file.write_bytes(content)
    assert sum(words in line for line in complaints(file)) >= 1, complaints(file)


def test_what_is_no_file_gives_one_clear_error(tmp_path):
    assert "No such file" in complaint(tmp_path / "none.yaml")
    assert "saw a directory" in complaint(tmp_path)
    assert "saw a directory or a device" in complaint(Path("/dev/zero"))
    assert "no file name" in complaint(Path("a\0b"))
