"""Wrong images: what a firmware store may hold, how they are told apart, and what the boot loader remembers of them."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from emulators.common.firmware import FirmwareError, Sketch, find_damage, unpack, verify
from emulators.management.impairments.images import cut, flip
from emulators.management.render import build_uris
from emulators.router.loader import machine
from emulators.router.loader.machine import RESTS_S, build_first_state
from harness.core.entries import Evidence, Seen
from harness.core.model import HardwareClass
from harness.core.sample import build_plan
from harness.core.verdict import find_worst
from harness.invariants.boots_verified_release import EXAMPLES, INVARIANT
from harness.lab.firmware import BUGS, OTHER_CLASSES, build_release_image, build_spares

MIB = 1024 * 1024
HARDWARE = HardwareClass("coastal-4", 4, 2, True, 2 * MIB, MIB, "1.0.0", "2020-01-01T00:00:00Z")
RELEASE = "2.0.0"


def make_keys() -> tuple[str, str]:
    key = ec.generate_private_key(ec.SECP256R1())
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    public = key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    return private.decode(), public.decode()


PRIVATE, PUBLIC = make_keys()
OTHER_PRIVATE, OTHER_PUBLIC = make_keys()
GOOD = build_release_image(HARDWARE, RELEASE, PRIVATE).data


@pytest.fixture(scope="module")
def spares() -> dict[str, Sketch]:
    return build_spares(HARDWARE, RELEASE, PRIVATE, OTHER_PRIVATE)


def check(image: bytes) -> str:
    """Return the reason for which the device refuses an image, or an empty text."""
    try:
        verify(image, PUBLIC, HARDWARE.name, HARDWARE.slot_bytes)
    except FirmwareError as error:
        return error.reason
    return ""


@pytest.mark.parametrize(
    ("name", "reason"),
    [("wrong_signature", "signature"), ("other_hardware", "hardware"), ("too_large", "too large")],
)
def test_each_spare_is_refused_for_its_own_reason_alone(spares: dict[str, Sketch], name: str, reason: str) -> None:
    image = spares[name].render()
    assert check(image) == reason
    assert find_damage(image) is None
    key = OTHER_PUBLIC if name == "wrong_signature" else PUBLIC
    hardware = next(c for c in OTHER_CLASSES if c != HARDWARE.name) if name == "other_hardware" else HARDWARE.name
    assert verify(image, key, hardware).release == RELEASE


def test_releases_with_a_bug_may_be_started(spares: dict[str, Sketch]) -> None:
    """Nothing but their running shows what is wrong with them."""
    for name, (path, content) in BUGS.items():
        image = spares[name].render()
        manifest = verify(image, PUBLIC, HARDWARE.name, HARDWARE.slot_bytes)
        files = unpack(image, manifest)
        assert files[path] == content
        assert manifest.entry == path.removesuffix(".py").replace("/", ".")
        compile(content, path, "exec")
        assert b"def _set_clock(self)" in content
        assert b"def _set_clock(self)" in files["runtime/main.py"]  # what the bug takes the place of


def test_a_sketch_is_small_and_renders_the_image(spares: dict[str, Sketch]) -> None:
    large = spares["too_large"]
    assert len(large.render()) == HARDWARE.slot_bytes + MIB
    assert len(large.front) < MIB // 2
    assert hashlib.sha256(large.render()).digest() == hashlib.sha256(large.render()).digest()


@pytest.mark.parametrize("kept_pct", [0.0, 5.0, 60.0, 99.0, 100.0])
def test_a_cut_image_says_so_itself(kept_pct: float) -> None:
    part = cut(GOOD, kept_pct)
    assert len(part) < len(GOOD)
    damage = find_damage(part)
    assert damage is not None
    assert damage.reason == "truncated"
    assert check(part) == "truncated"


@pytest.mark.parametrize("at_pct", [10.0, 25.0, 75.0, 99.0, 100.0])
def test_a_flipped_byte_is_not_taken_for_a_cut(at_pct: float) -> None:
    other = flip(GOOD, at_pct)
    assert [i for i in range(len(GOOD)) if GOOD[i] != other[i]] == [min(len(GOOD) - 1, int(len(GOOD) * at_pct / 100))]
    damage = find_damage(other)
    assert damage is not None
    assert damage.reason == "corrupted"


def test_a_whole_image_has_no_damage() -> None:
    assert find_damage(GOOD) is None
    assert find_damage(b"") is not None


def test_an_image_whose_trial_failed_rests_longer_each_time() -> None:
    state = build_first_state()
    rests = []
    for _ in range(len(RESTS_S) + 1):
        state = machine.fail(state, "aa")
        rests.append(machine.find_rest_s(state, "aa", 0.0))
    assert rests == [*RESTS_S, RESTS_S[-1]]
    assert machine.find_rest_s(state, "aa", RESTS_S[-1] + 1) == 0.0


def test_another_image_has_its_turn_at_once() -> None:
    state = machine.fail(build_first_state(), "aa")
    assert machine.find_rest_s(state, "bb", 0.0) == 0.0
    assert machine.fail(state, "bb").failures == 1


def test_a_confirmed_release_clears_what_failed() -> None:
    state = replace(machine.fail(build_first_state(), "aa"), candidate="b")
    assert machine.confirm(state, "b").failed is None
    assert machine.confirm(state, "a").failed == "aa"  # the old release runs: nothing was confirmed


def test_mirrors_are_two_ports_of_one_host() -> None:
    first, second = build_uris("boot.skerry.example:9443", "os", "1")
    assert (first, second) == (
        "https://boot.skerry.example:8444/images/os-1.img",
        "http://boot.skerry.example/images/os-1.img",
    )


@pytest.mark.parametrize("example", EXAMPLES, ids=[e.title for e in EXAMPLES])
def test_what_may_be_started(example: object) -> None:
    assert isinstance(example, type(EXAMPLES[0]))
    evidence = Evidence(Seen(i, o) for i, o in enumerate(example.observations))
    found = INVARIANT.judge(example.plan or build_plan(), evidence)
    assert find_worst(f.outcome for f in found) == example.outcome
