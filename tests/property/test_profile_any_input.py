"""Whatever the files hold: a profile that loads compiles for every site, or InputError; never anything else."""

from __future__ import annotations

import json
import shutil
import string
import tempfile
from pathlib import Path

import dns.name
import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulators.common.record import from_json, to_json
from harness.core.model import Plan
from harness.errors import InputError
from harness.profile.compile import compile_plan, site_names
from harness.profile.identifiers import check_apn, has_check_digit
from harness.profile.load import load_profile

DEMOS = Path(__file__).parents[2] / "profiles"
FILES = {
    "pier-kiosk.yaml": "pier-kiosk.yaml",
    "pier-kiosk.sites.yaml": "pier-kiosk.yaml",
    "harbour-office.yaml": "harbour-office.yaml",
    "harbour-office.sites.csv": "harbour-office.yaml",
}
QUICK = settings(max_examples=150, deadline=None)  # no deadline: the bench's machines are slow and shared

ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=20),
    st.sampled_from(
        ["", "hq", "guest", "10.61.1.0/26", "0.0.0.0/0", "10.200.0.0/24", "1", [], {}, [[]], [None], {"a": 1}]
    ),
    st.integers(-1, 5000),
)


def load_with(name: str, content: bytes) -> str:
    """Load the demo that uses file `name`, with other content; return the complaints, empty where there are none."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(shutil.copytree(DEMOS, Path(folder) / "profiles"))
        (copy / name).write_bytes(content)
        try:
            loaded = load_profile(copy / FILES[name])
        except InputError as error:
            assert error.problems
            assert all(problem.message and problem.file for problem in error.problems)
            return str(error)
        for site in site_names(loaded):
            plan = compile_plan(loaded, site, "field", None)
            assert from_json(Plan, json.loads(json.dumps(to_json(plan)))) == plan
        return ""


@QUICK
@given(st.sampled_from(sorted(FILES)), st.binary(max_size=300))
@example("pier-kiosk.yaml", b'"\\UFFFFFFFF"')
@example("pier-kiosk.yaml", b"a: 0b_\nb: 0x_\nc: 1:99\nd: 2001-99-99\n")
@example("harbour-office.sites.csv", b'"')
def test_any_bytes(name, content):
    load_with(name, content)


@QUICK
@given(st.sampled_from(sorted(FILES)), st.text(st.sampled_from("{}[]:,-#&*!|>'\"%@` \n\tab01.~?<="), max_size=80))
def test_any_yaml_like_text(name, text):
    load_with(name, text.encode())


@QUICK
@given(st.data())
def test_any_small_edit_of_a_demo(data):
    name = data.draw(st.sampled_from(sorted(FILES)))
    content = bytearray((DEMOS / name).read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(content) - 1))
        length = data.draw(st.integers(0, 12))
        content[start : start + length] = data.draw(st.binary(max_size=8))
    load_with(name, bytes(content))


def paths_of(value, path=()):
    yield path
    if isinstance(value, dict | list):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from paths_of(item, (*path, key))


TREES = {name: yaml.safe_load((DEMOS / name).read_text()) for name in FILES if name.endswith("yaml")}


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_any_key_deleted_or_value_replaced(data):
    name = data.draw(st.sampled_from(sorted(TREES)))
    tree = json.loads(json.dumps(TREES[name]))
    for _ in range(data.draw(st.integers(1, 2))):
        path = data.draw(st.sampled_from([p for p in paths_of(tree) if p]))
        holder = tree
        for part in path[:-1]:
            holder = holder[part]
        if data.draw(st.booleans()):
            del holder[path[-1]]
        else:
            holder[path[-1]] = data.draw(ODD)
        if not tree:
            break
    load_with(name, yaml.safe_dump(tree).encode())


SECRET_PATHS = [
    ("pier-kiosk.yaml", ("sims", 0, "apns", 1, "auth", "password")),
    ("pier-kiosk.yaml", ("tunnel", "auth", "psk")),
    ("pier-kiosk.yaml", ("monitoring", "users", 0, "auth_key")),
    ("pier-kiosk.yaml", ("monitoring", "users", 0, "priv_key")),
    ("harbour-office.yaml", ("sims", 0, "pin")),
    ("pier-kiosk.sites.yaml", ("sites", "ossay-pier", "on_record", "carrier", "apns", 0, "auth", "password")),
]


@pytest.mark.parametrize(("name", "path"), SECRET_PATHS)
@settings(max_examples=40, deadline=None)
@given(st.text(string.ascii_letters + string.digits + "!*&%@#{}[]:,'\" ", min_size=9, max_size=30).map("Zq7" .__add__),
       st.sampled_from(["text", "list", "key", "parent", "number"]))  # fmt: skip
def test_a_secret_written_out_is_never_shown(name, path, secret, shape):
    tree = json.loads(json.dumps(TREES[name]))
    holder = tree
    for part in path[:-2] if shape == "parent" else path[:-1]:
        holder = holder[part]
    number = 10**17 + int.from_bytes(secret.encode()[:6], "big")
    written = {"text": secret, "list": [secret], "key": {"a": secret}, "parent": secret, "number": number}[shape]
    holder[path[-2] if shape == "parent" else path[-1]] = written
    shown = load_with(name, yaml.safe_dump(tree, default_flow_style=True).encode())
    assert shown
    assert "Zq7" not in shown
    assert str(number) not in shown


@QUICK
@given(st.lists(st.text(string.ascii_lowercase + string.digits + "-", min_size=1, max_size=70), min_size=1, max_size=4))
def test_apn_lengths_agree_with_dnspython(labels):
    """An APN is encoded as a DNS name without its root (TS 23.003 clause 9.1); dnspython does it here."""
    name = ".".join(labels)
    try:
        check_apn(name)
    except ValueError:
        return
    assert len(dns.name.from_text(name).to_wire()) - 1 <= 100


@QUICK
@given(st.text("0123456789", min_size=1, max_size=19))
def test_exactly_one_check_digit_fits_and_a_misprint_is_seen(digits):
    """The formula's known properties (ISO/IEC 7812-1 Annex B): it catches every single wrong digit."""
    right = [d for d in "0123456789" if has_check_digit(digits + d)]
    assert len(right) == 1
    whole = digits + right[0]
    for place, digit in enumerate(whole):
        wrong = whole[:place] + str((int(digit) + 1) % 10) + whole[place + 1 :]
        assert not has_check_digit(wrong)
