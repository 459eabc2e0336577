"""A release image: a signed container of the router's runtime files. Layer: shared by harness and stand-ins; pure.

    magic (8)  header length (4, big-endian)  header (JSON)  signature length (2)  signature  payload (tar.gz)  filler

The signature is over a context string and the header; the header holds length and SHA-256 of all that follows the
signature, so no byte of an image can change unseen. The filler is incompressible and depends on the header's fields
alone, so an image has its hardware's real size, and packing the same files twice gives the same payload and filler.

Since the filler follows from the header, an image travels as a `Sketch`, without it, where its size is in the way.

Signatures are Ed25519 (RFC 8032) or ECDSA P-256 with SHA-256 (FIPS 186-5), by the kind of key. Payloads hold regular
files only. Not here: slots and flash (router/loader), which files a release has (harness/lab/firmware.py).
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import struct
import tarfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import PurePosixPath
from typing import Any, Literal

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519

from emulators.common.record import RecordError, from_json, to_json

MAGIC = b"BPFW\x00\x01\r\n"  # CR LF shows a transfer that rewrote line ends
CONTEXT = b"branchproof release image, format 1\x00"
MAX_HEADER_BYTES = 64 * 1024
MAX_SIGNATURE_BYTES = 512
_LENGTHS = struct.Struct(">8sI")

Reason = Literal["truncated", "corrupted", "signature", "hardware", "too large"]


class FirmwareError(ValueError):
    """An image may not be started. `reason` says which of its guards refused it."""

    def __init__(self, reason: Reason, expected: str, seen: str) -> None:
        self.reason, self.expected, self.seen = reason, expected, seen
        super().__init__(f"{reason}: expected {expected}, saw {seen}")


@dataclass(frozen=True, slots=True)
class Manifest:
    """The signed header. `body_bytes` and `body_sha256` cover payload and filler."""

    format: Literal[1]
    os_name: str
    release: str
    hardware: str
    features: tuple[str, ...]
    entry: str
    """Python module that starts the release."""
    payload_bytes: int
    body_bytes: int
    body_sha256: str


@dataclass(frozen=True, slots=True)
class Sketch:
    """An image without its filler: all before it, and what the filler is made from."""

    front: bytes
    filler_label: str
    filler_bytes: int

    def render(self) -> bytes:
        """Return the image."""
        return self.front + _build_filler(self.filler_label, self.filler_bytes)


def pack(
    files: Mapping[str, bytes],
    *,
    os_name: str,
    release: str,
    hardware: str,
    features: tuple[str, ...],
    entry: str,
    image_bytes: int,
    private_key_pem: str,
) -> Sketch:
    """Return an image of exactly `image_bytes`. Raises: ValueError when the files do not fit."""
    payload = _pack_files(tuple(sorted(files.items())))
    key = serialization.load_pem_private_key(private_key_pem.encode(), password=None)
    label, filler_bytes = f"{os_name}/{release}/{hardware}", 0
    for _ in range(4):  # header and signature lengths depend on the filler's by a digit or two
        body_bytes, digest = len(payload) + filler_bytes, _digest_body(payload, label, filler_bytes)
        manifest = Manifest(1, os_name, release, hardware, features, entry, len(payload), body_bytes, digest)
        header = json.dumps(to_json(manifest), sort_keys=True, separators=(",", ":")).encode()
        head = _LENGTHS.pack(MAGIC, len(header)) + header
        signature = _sign(key, header)
        missing = image_bytes - (len(head) + 2 + MAX_SIGNATURE_BYTES + body_bytes)
        if missing == 0:
            padded = signature.ljust(MAX_SIGNATURE_BYTES, b"\x00")
            return Sketch(head + struct.pack(">H", len(signature)) + padded + payload, label, filler_bytes)
        filler_bytes += missing
        if filler_bytes < 0:
            raise ValueError(f"files of {len(payload)} bytes (packed) do not fit an image of {image_bytes} bytes")
    raise ValueError(f"no filler makes an image of {image_bytes} bytes; try one byte more")


def verify(image: bytes, public_key_pem: str, hardware: str, max_bytes: int | None = None) -> Manifest:
    """Return the manifest of an image that may be started on `hardware`. Raises: FirmwareError."""
    if max_bytes is not None and len(image) > max_bytes:
        raise FirmwareError("too large", f"at most {max_bytes} bytes (one slot)", f"{len(image)} bytes")
    header, signature, body = _split(image)
    _check_signature(public_key_pem, header, signature)
    manifest = _read_manifest(header)
    if len(body) < manifest.body_bytes:
        raise FirmwareError("truncated", f"{manifest.body_bytes} bytes after the header", f"{len(body)}")
    if len(body) > manifest.body_bytes:
        raise FirmwareError("corrupted", f"{manifest.body_bytes} bytes after the header", f"{len(body)}")
    digest = hashlib.sha256(body).hexdigest()
    if digest != manifest.body_sha256:
        raise FirmwareError("corrupted", f"SHA-256 {manifest.body_sha256}", digest)
    if manifest.hardware != hardware:
        raise FirmwareError("hardware", f"an image for {hardware}", f"one for {manifest.hardware}")
    return manifest


def find_damage(image: bytes) -> FirmwareError | None:
    """Return how an image falls short of what its own header says, before anybody asks who signed it; None where it
    does not. For words only: it makes no image fit to be started."""
    try:
        header, _, body = _split(image)
        manifest = _read_manifest(header)
    except FirmwareError as error:
        return error
    if len(body) < manifest.body_bytes:
        return FirmwareError("truncated", f"{manifest.body_bytes} bytes after the header", f"{len(body)}")
    digest = hashlib.sha256(body).hexdigest()
    if digest != manifest.body_sha256:
        return FirmwareError("corrupted", f"SHA-256 {manifest.body_sha256}", digest)
    return None


def unpack(image: bytes, manifest: Manifest) -> dict[str, bytes]:
    """Return a verified image's files by relative path. Raises: FirmwareError when a member is not a plain file."""
    _, _, body = _split(image)
    files: dict[str, bytes] = {}
    with tarfile.open(fileobj=io.BytesIO(body[: manifest.payload_bytes]), mode="r:gz") as archive:
        for member in archive:
            path = PurePosixPath(member.name)
            content = archive.extractfile(member) if member.isreg() else None
            if content is None or path.is_absolute() or ".." in path.parts:
                raise FirmwareError("corrupted", "regular files with relative paths", member.name)
            files[str(path)] = content.read()
    return files


@lru_cache(maxsize=16)  # every lab of one process packs the same files
def _pack_files(files: tuple[tuple[str, bytes], ...]) -> bytes:
    plain = io.BytesIO()
    with tarfile.open(fileobj=plain, mode="w", format=tarfile.USTAR_FORMAT) as archive:
        for name, content in files:
            member = tarfile.TarInfo(name)
            member.size, member.mode = len(content), 0o644
            archive.addfile(member, io.BytesIO(content))
    return gzip.compress(plain.getvalue(), mtime=0)


@lru_cache(maxsize=64)  # the largest images take a third of a second
def _digest_body(payload: bytes, label: str, filler_bytes: int) -> str:
    return hashlib.sha256(payload + _build_filler(label, filler_bytes)).hexdigest()


def _build_filler(label: str, size: int) -> bytes:
    return hashlib.shake_256(b"filler " + label.encode()).digest(size)


def _sign(key: Any, header: bytes) -> bytes:
    if isinstance(key, ed25519.Ed25519PrivateKey):
        return key.sign(CONTEXT + header)
    if isinstance(key, ec.EllipticCurvePrivateKey) and isinstance(key.curve, ec.SECP256R1):
        return key.sign(CONTEXT + header, ec.ECDSA(hashes.SHA256()))
    raise ValueError(f"expected an Ed25519 or P-256 private key, saw {type(key).__name__}")


def _check_signature(public_key_pem: str, header: bytes, signature: bytes) -> None:
    key = serialization.load_pem_public_key(public_key_pem.encode())
    try:
        if isinstance(key, ed25519.Ed25519PublicKey):
            key.verify(signature, CONTEXT + header)
        elif isinstance(key, ec.EllipticCurvePublicKey) and isinstance(key.curve, ec.SECP256R1):
            key.verify(signature, CONTEXT + header, ec.ECDSA(hashes.SHA256()))
        else:
            raise ValueError(f"expected an Ed25519 or P-256 public key, saw {type(key).__name__}")
    except InvalidSignature:
        raise FirmwareError("signature", "a header signed with the release key", "one that is not") from None


def _split(image: bytes) -> tuple[bytes, bytes, bytes]:
    if len(image) < _LENGTHS.size:
        raise FirmwareError("truncated", f"at least {_LENGTHS.size} bytes", f"{len(image)}")
    magic, header_bytes = _LENGTHS.unpack_from(image)
    if magic != MAGIC:
        raise FirmwareError("corrupted", f"magic {MAGIC!r}", repr(magic))
    if header_bytes > MAX_HEADER_BYTES:
        raise FirmwareError("corrupted", f"a header of at most {MAX_HEADER_BYTES} bytes", f"{header_bytes}")
    at = _LENGTHS.size + header_bytes
    start = at + 2 + MAX_SIGNATURE_BYTES
    if len(image) < start:
        raise FirmwareError("truncated", f"at least {start} bytes", f"{len(image)}")
    (signature_bytes,) = struct.unpack_from(">H", image, at)
    field = image[at + 2 : start]
    if not 0 < signature_bytes <= MAX_SIGNATURE_BYTES or field[signature_bytes:].strip(b"\x00"):
        raise FirmwareError("corrupted", "a signature and zeros after it", f"a signature of {signature_bytes} bytes")
    return image[_LENGTHS.size : at], field[:signature_bytes], image[start:]


def _read_manifest(header: bytes) -> Manifest:
    try:
        return from_json(Manifest, json.loads(header.decode("utf-8")))
    except (UnicodeDecodeError, RecordError, ValueError) as error:
        raise FirmwareError("corrupted", "a header of format 1", str(error)) from None
