"""Release images: what was packed comes back; whatever was changed is refused."""

from __future__ import annotations

import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from hypothesis import given, settings
from hypothesis import strategies as st

from emulators.common.firmware import CONTEXT, MAGIC, FirmwareError, pack, unpack, verify
from harness.core.model import HardwareClass
from harness.lab.firmware import FULL_ONLY, build_factory_image, build_release_image, load_runtime_files

SIZE = 8192
FILES = {"runtime/main.py": b"print('up')\n", "runtime/apply/a.py": b""}
PrivateKey = ed25519.Ed25519PrivateKey | ec.EllipticCurvePrivateKey


def to_pems(key: PrivateKey) -> tuple[str, str]:
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    public = key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    return private.decode(), public.decode()


@cache
def keys(kind: str) -> tuple[str, str]:
    return to_pems(
        ed25519.Ed25519PrivateKey.generate() if kind == "ed25519" else ec.generate_private_key(ec.SECP256R1())
    )


@cache
def image(kind: str) -> bytes:
    return pack(
        FILES,
        os_name="bench-os",
        release="2.0.0",
        hardware="harbour-1",
        features=("attach",),
        entry="runtime.main",
        image_bytes=SIZE,
        private_key_pem=keys(kind)[0],
    ).render()


KINDS = pytest.mark.parametrize("kind", ["ed25519", "p256"])


@KINDS
def test_round_trip(kind: str) -> None:
    data = image(kind)
    assert len(data) == SIZE
    manifest = verify(data, keys(kind)[1], "harbour-1", SIZE)
    assert (manifest.os_name, manifest.release, manifest.features) == ("bench-os", "2.0.0", ("attach",))
    assert unpack(data, manifest) == FILES


@KINDS
@settings(max_examples=300, deadline=None)
@given(at=st.integers(0, SIZE - 1), change=st.integers(1, 255))
def test_any_changed_byte_is_refused(kind: str, at: int, change: int) -> None:
    data = bytearray(image(kind))
    data[at] ^= change
    with pytest.raises(FirmwareError):
        verify(bytes(data), keys(kind)[1], "harbour-1")


@KINDS
@settings(max_examples=150, deadline=None)
@given(length=st.integers(0, SIZE - 1))
def test_any_cut_is_refused(kind: str, length: int) -> None:
    with pytest.raises(FirmwareError):
        verify(image(kind)[:length], keys(kind)[1], "harbour-1")


@settings(deadline=None)
@given(data=st.binary(max_size=2000), magic=st.booleans())
def test_any_bytes_are_refused_with_a_reason(data: bytes, magic: bool) -> None:
    with pytest.raises(FirmwareError):
        verify(MAGIC + data if magic else data, keys("ed25519")[1], "harbour-1")


def test_reasons() -> None:
    data, public = image("ed25519"), keys("ed25519")[1]
    for expected, bad in (("truncated", data[:-1]), ("corrupted", data + b"\x00"), ("truncated", b"")):
        with pytest.raises(FirmwareError) as caught:
            verify(bad, public, "harbour-1")
        assert caught.value.reason == expected
    for expected, arguments in (
        ("signature", (data, to_pems(ed25519.Ed25519PrivateKey.generate())[1], "harbour-1")),
        ("hardware", (data, public, "harbour-2")),
        ("too large", (data, public, "harbour-1", SIZE - 1)),
    ):
        with pytest.raises(FirmwareError) as caught:
            verify(*arguments)  # type: ignore[arg-type]
        assert caught.value.reason == expected


def test_openssl_verifies_the_signature(tmp_path: Path) -> None:
    """The signature is plain ECDSA P-256 with SHA-256 over context and header: OpenSSL's own tool says so."""
    data = image("p256")
    header_bytes = int.from_bytes(data[8:12], "big")
    signature_at = 12 + header_bytes
    length = int.from_bytes(data[signature_at : signature_at + 2], "big")
    (tmp_path / "signed").write_bytes(CONTEXT + data[12:signature_at])
    (tmp_path / "signature").write_bytes(data[signature_at + 2 : signature_at + 2 + length])
    (tmp_path / "key.pem").write_text(keys("p256")[1])
    command = ["openssl", "dgst", "-sha256", "-verify", "key.pem", "-signature", "signature", "signed"]
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=True).stdout == b"Verified OK\n"


def test_files_that_do_not_fit() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        pack(
            FILES,
            os_name="o",
            release="1",
            hardware="h",
            features=(),
            entry="e",
            image_bytes=600,
            private_key_pem=keys("ed25519")[0],
        )


HARDWARE = HardwareClass("harbour-1", 4, 1, False, 2 << 20, 1 << 20, "1.0.0", "2020-01-01T00:00:00Z")


def test_the_factory_release_starts_without_what_only_the_full_one_has(tmp_path: Path) -> None:
    """Unpacked alone, beside the shared code, its every module can be imported."""
    private, public = keys("p256")
    built = build_factory_image(HARDWARE, private)
    assert len(built.data) == HARDWARE.image_bytes
    manifest = verify(built.data, public, HARDWARE.name, HARDWARE.slot_bytes)
    files = unpack(built.data, manifest)
    assert not [name for name in files if name.startswith(FULL_ONLY)]
    for name, content in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(content)
    modules = [name.removesuffix(".py").replace("/", ".") for name in files if name.endswith(".py")]
    root = str(Path(__file__).parents[2])
    script = f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {root!r}]\n" + "\n".join(f"import {m}" for m in modules)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode == 0, done.stderr


def test_the_full_release_has_every_file() -> None:
    private, public = keys("p256")
    built = build_release_image(HARDWARE, "2.0.0", private)
    manifest = verify(built.data, public, HARDWARE.name)
    assert unpack(built.data, manifest) == load_runtime_files()
    assert set(manifest.features) > {"attach", "check-in"}
