"""The base image, Debian 12: pulled where a registry answers, else made from the archive. Layer: setup, I/O.

Not here: branchproof/base, which is built on it (images.py).
"""

from __future__ import annotations

import platform
import tempfile
from pathlib import Path

from harness.errors import EngineError
from harness.setup.builder import Builder, Image
from harness.setup.host import Right, Say, find_program, find_right, has_apt, install, run, tail

DEBIAN_TAG = "branchproof/debian:bookworm"
SUITE = "bookworm"
KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
"""Where debian-archive-keyring puts the archive's keys; mmdebstrap looks there by itself on other hosts."""
BOOTSTRAP_TIMEOUT_S = 900
SAME_MACHINE = {"amd64": "x86_64", "arm64": "aarch64"}  # engine's and kernel's names for one architecture


def ensure_debian(builder: Builder, say: Say) -> Image:
    """Return the base image, which is fetched or made if the engine does not have it. Raises: EngineError."""
    if found := builder.find_image(DEBIAN_TAG):
        return found
    try:
        say("fetching the image debian:bookworm-slim")
        builder.pull("debian", f"{SUITE}-slim", DEBIAN_TAG)
    except EngineError as no_registry:
        say(f"no image registry: {first_line(no_registry.seen)}")
        say("making the base image from the distribution's archive instead (mmdebstrap, about half a minute)")
        _make(builder, say, no_registry)
    return builder.get_image(DEBIAN_TAG)


def first_line(text: str) -> str:
    return text.strip().splitlines()[0] if text.strip() else "(no message)"


def _make(builder: Builder, say: Say, no_registry: EngineError) -> None:
    machine = platform.machine().lower()
    if (engine := builder.architecture()) != SAME_MACHINE.get(machine, machine):
        raise _cannot(f"the engine's machine is {engine}, this one is {machine}", no_registry)
    right = find_right()
    needs = {"mmdebstrap": find_program("mmdebstrap") is not None, KEYRING.stem: KEYRING.exists()}
    missing = [package for package, there in needs.items() if not there]
    if missing:
        if right == "none" or not has_apt():
            raise _cannot(f"{' and '.join(missing)} missing here, and no right to install", no_registry)
        install(missing, right, say)
    with tempfile.TemporaryDirectory(prefix="branchproof-") as directory:
        tar = Path(directory, "base.tar")
        _bootstrap(tar, right, no_registry)
        say(f"importing it ({tar.stat().st_size // 1_000_000} MB)")
        builder.import_tar(tar, DEBIAN_TAG)


def _bootstrap(tar: Path, right: Right, no_registry: EngineError) -> None:
    """No mirror is named: mmdebstrap knows the archive of a Debian suite, on Ubuntu too (its --help, MIRROR)."""
    skip = [f"--dpkgopt=path-exclude=/usr/share/{what}/*" for what in ("man", "doc", "locale")]
    command = ["mmdebstrap", "--variant=minbase", "--quiet", *skip, SUITE, str(tar)]
    # Without root it makes its own user namespace; root needs none.
    done = run(command, BOOTSTRAP_TIMEOUT_S)
    if done.returncode:
        raise _cannot(f"mmdebstrap: exit {done.returncode} (right: {right})\n{tail(done.stdout)}", no_registry)


def _cannot(seen: str, no_registry: EngineError) -> EngineError:
    error = EngineError(
        expected=f"Debian 12 as image {DEBIAN_TAG}, pulled or made here",
        seen=f"pull: {first_line(no_registry.seen)}; made here: {seen}",
        where="the base image",
        hint="give the engine a registry; or install mmdebstrap and debian-archive-keyring; or load Debian 12 from "
        f"elsewhere and name it: docker tag IMAGE {DEBIAN_TAG}",
    )
    error.__cause__ = no_registry
    return error
