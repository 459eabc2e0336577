"""The boot loader's slots on a flash of files: an image goes in, is tried, fails, rests; none is chosen unverified."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from emulators.common.firmware import FirmwareError
from emulators.management.impairments.images import flip
from emulators.router.loader.flash import Flash
from emulators.router.loader.machine import LoaderError
from emulators.router.loader.slots import Slots
from harness.core.model import HardwareClass
from harness.lab.firmware import build_factory_image, build_release_image

HARDWARE = HardwareClass("coastal-4", 4, 2, True, 1 << 20, 1 << 19, "1.0.0", "2020-01-01T00:00:00Z")
KEY = ec.generate_private_key(ec.SECP256R1())
PRIVATE = KEY.private_bytes(
    serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
).decode()
PUBLIC = KEY.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
FACTORY, RELEASE = build_factory_image(HARDWARE, PRIVATE), build_release_image(HARDWARE, "2.0.0", PRIVATE)


class Witness:
    """Stands where the console stands: keeps events."""

    def __init__(self) -> None:
        self.events: list[tuple[str, dict[str, Any]]] = []

    def emit(self, kind: str, /, **data: Any) -> None:
        self.events.append((kind, data))

    @property
    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.events]


class Board:
    """A staged device, without anything that runs."""

    def __init__(self, root: Path) -> None:
        self.witness, self.flash, self.root = Witness(), Flash(root), root
        settings: dict[str, Any] = {key: {} for key in ("identity", "trust", "first_boot", "hardware", "waits")}
        settings |= {"sims": [], "factory": {"image_base64": base64.b64encode(FACTORY.data).decode()}}
        self.flash.stage({"run": "r", "node": "router", "links": [], "settings": settings})
        facts = {"name": HARDWARE.name, "slot_bytes": HARDWARE.slot_bytes}
        self.slots = Slots(self.witness, self.flash, facts, {"flash_write_s": 0.0}, PUBLIC.decode())  # type: ignore[arg-type]

    def install(self, image: bytes) -> dict[str, Any]:
        (self.root / "incoming.img").write_bytes(image)
        return self.slots.install("a", self.root / "incoming.img")

    def boot(self) -> str:
        """Start, and return what was chosen."""
        choice, _, manifest = self.slots.choose(self.slots.begin_boot())
        return f"{choice.slot} {manifest.release}{' on trial' if choice.trial else ''}"


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return Board(tmp_path)


def test_an_image_goes_in_and_is_tried(board: Board) -> None:
    assert board.boot() == "a 1.0.0"
    assert board.install(RELEASE.data) == {"slot": "b", "release": "2.0.0"}
    assert board.witness.kinds == ["slot.verified", "slot.erased", "slot.written"]
    assert board.witness.events[-1][1]["bytes"] == HARDWARE.image_bytes
    assert board.boot() == "b 2.0.0 on trial"
    board.slots.confirm("b", "2.0.0")
    assert board.witness.kinds[-1] == "slot.confirmed"
    assert board.boot() == "b 2.0.0"


def test_a_bad_image_does_not_touch_a_slot(board: Board) -> None:
    board.boot()
    with pytest.raises(FirmwareError) as caught:
        board.install(flip(RELEASE.data, 75.0))
    assert caught.value.reason == "corrupted"
    assert "slot.erased" not in board.witness.kinds
    assert board.flash.load_slot("b") == b""
    assert board.boot() == "a 1.0.0"


def test_a_failed_image_rests_and_another_does_not(board: Board) -> None:
    board.boot()
    board.install(RELEASE.data)
    board.boot()
    board.slots.fail_trial("not confirmed within 50 s")
    assert board.witness.events[-1] == (
        "slot.fell_back", {"from_slot": "b", "to_slot": "a", "reason": "not confirmed within 50 s"}
    )  # fmt: skip
    assert board.boot() == "a 1.0.0"
    known = board.slots.find_rest_s(RELEASE.sha256)
    assert known["failures"] == 1
    assert 0 < known["rest_s"] <= 60.0
    with pytest.raises(LoaderError, match="may be tried again"):
        board.install(RELEASE.data)
    other = build_release_image(HARDWARE, "2.0.1", PRIVATE)
    assert board.slots.find_rest_s(other.sha256) == {"rest_s": 0.0, "failures": 0}
    assert board.install(other.data)["release"] == "2.0.1"


def test_a_trial_that_only_power_cuts_ended_counts_as_one_that_failed(board: Board) -> None:
    board.boot()
    board.install(RELEASE.data)
    assert [board.boot() for _ in range(3)] == ["b 2.0.0 on trial", "b 2.0.0 on trial", "a 1.0.0"]
    assert board.slots.find_rest_s(RELEASE.sha256)["failures"] == 1


def test_a_slot_that_rotted_is_not_started(board: Board) -> None:
    board.boot()
    board.install(RELEASE.data)
    board.flash.save_file(board.flash.slot_path("b"), flip(RELEASE.data, 50.0))
    assert board.boot() == "a 1.0.0"
    assert "slot.rejected" in board.witness.kinds
