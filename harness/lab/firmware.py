"""The releases that a run needs, packed from the checked-out runtime. Layer: lab, reads files, else pure.

The factory release has the modules to attach, set the clock, check in and fetch an image. The full release has every
module, so it can also apply a configuration. What a release can do stands in its manifest's `features`.

Spares are images that a firmware store may hold by mistake, or that have a bug of their own: each bears the branch's
release, so that a device is offered it in the right one's place.

Not here: the image format (emulators/common/firmware.py), keys (pki).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import emulators
from emulators.common.firmware import Sketch, pack
from harness.core.model import HardwareClass

OS_NAME = "bench-os"
FACTORY_FEATURES = ("attach", "clock", "check-in", "upgrade")
FULL_FEATURES = (*FACTORY_FEATURES, "configuration", "tunnel", "heartbeat")
ENTRY = "runtime.main"
FULL_ONLY = ("runtime/apply/", "runtime/heartbeat.py", "runtime/alert_")
"""Paths that the factory release does not have."""
MIB = 1024 * 1024
OTHER_CLASSES = ("coastal-4", "islet-2")
"""Hardware classes of which one is another than any device's."""
BUGS = {
    "hanging": (
        "runtime/hanging.py",
        b'"""A release with a bug: it has its way out, then waits for a lock that nobody lets go."""\n'
        b"import threading\n"
        b"from .main import LitConsole, Router\n"
        b"class HangingRouter(Router):\n"
        b"    def _set_clock(self):\n"
        b"        lock = threading.Lock()\n"
        b"        lock.acquire()\n"
        b"        lock.acquire()\n"
        b"console = LitConsole('router', 'runtime')\n"
        b"console.start()\n"
        b"HangingRouter(console).run()\n",
    ),
    "crashing": (
        "runtime/crashing.py",
        b'"""A release with a bug: it has its way out, then meets a value that it did not expect."""\n'
        b"from .main import LitConsole, Router\n"
        b"class CrashingRouter(Router):\n"
        b"    def _set_clock(self):\n"
        b"        raise ValueError('an answer without a stratum')\n"
        b"console = LitConsole('router', 'runtime')\n"
        b"console.start()\n"
        b"CrashingRouter(console).run()\n",
    ),
}
"""What is wrong with a release, by name: the module that starts it, in place of the right one."""


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


def build_spares(hardware: HardwareClass, release: str, private_key_pem: str, other_key_pem: str) -> dict[str, Sketch]:
    """Return what may lie in the firmware store in the release's place, by name. `other_key_pem`: a key that no device
    trusts for firmware."""
    files = load_runtime_files()
    other_class = next(name for name in OTHER_CLASSES if name != hardware.name)

    def build(of: HardwareClass, key: str) -> Sketch:
        return _pack(files, of, release, FULL_FEATURES, key)

    spares = {
        "wrong_signature": build(hardware, other_key_pem),
        "other_hardware": build(replace(hardware, name=other_class), private_key_pem),
        "too_large": build(replace(hardware, image_bytes=hardware.slot_bytes + MIB), private_key_pem),
    }
    for name, (path, content) in BUGS.items():
        entry = path.removesuffix(".py").replace("/", ".")
        spares[name] = _pack({**files, path: content}, hardware, release, FULL_FEATURES, private_key_pem, entry)
    return spares


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
    data = _pack(files, hardware, release, features, key).render()
    return ReleaseImage(OS_NAME, release, data, hashlib.sha256(data).hexdigest())


def _pack(  # noqa: PLR0917 - what an image is made of, in the order of its header
    files: Mapping[str, bytes],
    hardware: HardwareClass,
    release: str,
    features: tuple[str, ...],
    key: str,
    entry: str = ENTRY,
) -> Sketch:
    return pack(
        files,
        os_name=OS_NAME,
        release=release,
        hardware=hardware.name,
        features=features,
        entry=entry,
        image_bytes=hardware.image_bytes,
        private_key_pem=key,
    )
