"""The two releases that a run needs, packed from the checked-out runtime. Layer: lab, reads files, else pure.

The factory release has the modules to attach, set the clock, check in and fetch an image. The full release has every
module, so it can also apply a configuration. What a release can do stands in its manifest's `features`.

Not here: the image format (emulators/common/firmware.py), keys (pki).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import emulators
from emulators.common.firmware import pack
from harness.core.model import HardwareClass

OS_NAME = "bench-os"
FACTORY_FEATURES = ("attach", "clock", "check-in", "upgrade")
FULL_FEATURES = (*FACTORY_FEATURES, "configuration", "tunnel", "heartbeat")
ENTRY = "runtime.main"
FULL_ONLY = ("runtime/apply/", "runtime/heartbeat.py", "runtime/alert_")
"""Paths that the factory release does not have."""


@dataclass(frozen=True, slots=True)
class ReleaseImage:
    os_name: str
    release: str
    data: bytes
    sha256: str


def build_factory_image(hardware: HardwareClass, private_key_pem: str) -> ReleaseImage:
    """Return the release that the device leaves the factory with."""
    files = {k: v for k, v in load_runtime_files().items() if not k.startswith(FULL_ONLY)}
    return _build(files, hardware, hardware.factory_release, FACTORY_FEATURES, private_key_pem)


def build_release_image(hardware: HardwareClass, release: str, private_key_pem: str) -> ReleaseImage:
    """Return the full release `release`."""
    return _build(load_runtime_files(), hardware, release, FULL_FEATURES, private_key_pem)


def load_runtime_files() -> dict[str, bytes]:
    """Return every file of the runtime, by its path inside an image (``runtime/...``)."""
    root = Path(emulators.__path__[0]) / "router" / "runtime"
    found = {}
    for path in sorted(root.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc":
            found[f"runtime/{path.relative_to(root).as_posix()}"] = path.read_bytes()
    return found


def _build(
    files: Mapping[str, bytes], hardware: HardwareClass, release: str, features: tuple[str, ...], key: str
) -> ReleaseImage:
    data = pack(
        files,
        os_name=OS_NAME,
        release=release,
        hardware=hardware.name,
        features=features,
        entry=ENTRY,
        image_bytes=hardware.image_bytes,
        private_key_pem=key,
    )
    return ReleaseImage(OS_NAME, release, data, hashlib.sha256(data).hexdigest())
