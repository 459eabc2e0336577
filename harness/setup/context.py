"""What goes into an image: files, their digest, the tar that the engine builds from. Layer: setup, I/O (reads files).

Laws: equal inputs give equal digests and equal bytes, on any machine: names sorted, times zero, owner root, and of the
mode only whether a file is executable (a checkout's umask is nobody's input). Everything is readable by all: root lacks
DAC_OVERRIDE in the lab. No bytecode goes in; the image compiles its own.
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import tarfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.errors import EngineError

SKIPPED = frozenset({"__pycache__", "py.typed"})


@dataclass(frozen=True, slots=True)
class File:
    content: bytes
    executable: bool = False


def read_tree(root: Path, inside: str) -> dict[str, File]:
    """Return the files at and under `root` by the names they get: `inside` and what follows. No root, no files."""
    found: dict[str, File] = {}
    for path in _walk(root):
        name = inside if path == root else f"{inside}/{path.relative_to(root).as_posix()}"
        found[name] = File(path.read_bytes(), bool(path.stat().st_mode & 0o100))
    return found


def _walk(root: Path) -> Iterator[Path]:
    if root.is_file():
        yield root
        return
    if not root.is_dir():
        return
    for path in sorted(root.iterdir()):
        if path.name in SKIPPED or path.suffix == ".pyc":
            continue
        yield from _walk(path)


def find_package(name: str) -> Path:
    """Return the directory of an installed pure-Python package of this interpreter. Raises: EngineError."""
    spec = importlib.util.find_spec(name)
    if spec is None or not spec.submodule_search_locations:
        raise EngineError(
            expected=f"the Python package {name}, to be put into an image",
            seen="not installed",
            where="the running interpreter",
            hint="install the project with its extra: pip install -e .[dev]",
        )
    return Path(next(iter(spec.submodule_search_locations)))


def digest_files(files: Mapping[str, File], base_id: str) -> str:
    """Return the digest (hex SHA-256) of a context and the image it stands on."""
    total = hashlib.sha256(f"{base_id}\n".encode())
    for name in sorted(files):
        content = hashlib.sha256(files[name].content).hexdigest()
        total.update(f"{name}\0{files[name].executable:d}\0{content}\n".encode())
    return total.hexdigest()


def pack(files: Mapping[str, File]) -> bytes:
    """Return the files as a tar (POSIX ustar)."""
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        for name in sorted(files):
            info = tarfile.TarInfo(name)
            info.size = len(files[name].content)
            info.mode = 0o755 if files[name].executable else 0o644
            info.uname = info.gname = "root"
            tar.addfile(info, io.BytesIO(files[name].content))
    return out.getvalue()
