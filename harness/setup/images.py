"""The images, one a stand-in: built when their inputs changed, and only then. Layer: setup, I/O.

Laws: an image's inputs are its Dockerfile, its files and the image it stands on; their digest is its label
``branchproof.inputs``; an equal label means that there is nothing to do. The packages come first in each Dockerfile, so
that a change of code builds one layer and fetches nothing.

By hand: ``python -m harness.setup.images [NAME... | --remove]``.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import harness
from harness.errors import EngineError
from harness.setup.base import DEBIAN_TAG, ensure_debian
from harness.setup.builder import Builder, Image
from harness.setup.context import File, digest_files, find_package, pack, read_tree
from harness.setup.host import Say

ROOT = Path(harness.__file__).parents[1]
INPUTS_LABEL = "branchproof.inputs"
STAGE_LABEL = "branchproof.stage"
"""What a Dockerfile labels its earlier stages with. They stay, as the next build's cache, until the base changes."""
BUILDS_AT_ONCE = 2
"""Builds wait for the archive as much as they compute; more at once only share one processor."""
COMMON = ("emulators/__init__.py", "emulators/common")


@dataclass(frozen=True, slots=True)
class Recipe:
    """What one image is made of, beside ``compose/<name>.Dockerfile``."""

    name: str
    code: tuple[str, ...]
    """Files and directories of the checkout; they go below /opt/branchproof."""
    packages: tuple[str, ...] = ()
    """Pure-Python packages of this interpreter that the distribution lacks; they go there too."""
    sources: tuple[str, ...] = ()
    """Files of compose/ that the Dockerfile itself uses."""

    @property
    def tag(self) -> str:
        return f"branchproof/{self.name}:bench"


BASE = Recipe("base", ("emulators/common/deafen.sh",))
STAND_INS = (
    Recipe(
        "router",
        (
            *COMMON,
            "emulators/router/__init__.py",
            *(f"emulators/router/{part}" for part in ("hardware", "loader", "modem")),
        ),
        packages=("vici",),
        sources=("devclock.c", "espdscp.c"),
    ),
    Recipe("carrier", (*COMMON, "emulators/carrier"), packages=("pysnmp", "pyasn1")),
    Recipe("internet", (*COMMON, "emulators/internet"), packages=("pysnmp", "pyasn1")),
    Recipe("management", (*COMMON, "emulators/management")),
    Recipe("hq", (*COMMON, "emulators/hq"), packages=("vici", "pysnmp", "pyasn1")),
    Recipe("client", (*COMMON, "emulators/client"), packages=("pysnmp", "pyasn1")),
)
NAMES = (BASE.name, *(recipe.name for recipe in STAND_INS))


def collect_files(recipe: Recipe, root: Path = ROOT) -> dict[str, File]:
    """Return an image's whole build context."""
    files = read_tree(root / f"compose/{recipe.name}.Dockerfile", "Dockerfile")
    for source in recipe.sources:
        files |= read_tree(root / "compose" / source, source)
    for path in recipe.code:
        files |= read_tree(root / path, f"opt/{path}")
    for package in recipe.packages:
        files |= read_tree(find_package(package), f"opt/{package}")
    return files


def ensure_images(builder: Builder, say: Say, names: Sequence[str] = NAMES) -> None:
    """Build those of the named images whose inputs changed. Raises: EngineError."""
    debian = ensure_debian(builder, say)
    base = ensure_image(builder, BASE, debian.id, say)
    if base.built:
        builder.remove_untagged(STAGE_LABEL)  # they stood on the base before
    wanted = [recipe for recipe in STAND_INS if recipe.name in names]
    with ThreadPoolExecutor(BUILDS_AT_ONCE) as pool:
        jobs = [pool.submit(ensure_image, builder, recipe, base.image.id, say) for recipe in wanted]
        done = [base, *(job.result() for job in jobs)]
    if any(each.built for each in done):  # what had the tags before: now only in the way
        builder.remove_untagged(INPUTS_LABEL, but_not=STAGE_LABEL)


@dataclass(frozen=True, slots=True)
class Ensured:
    image: Image
    built: bool


def ensure_image(builder: Builder, recipe: Recipe, base_id: str, say: Say) -> Ensured:
    """Build one image if its inputs changed. Raises: EngineError."""
    files = collect_files(recipe)
    digest = digest_files(files, base_id)
    found = builder.find_image(recipe.tag)
    if found is not None and found.labels.get(INPUTS_LABEL) == digest:
        return Ensured(found, built=False)
    say(f"building the image {recipe.tag} ({'first time' if found is None else 'its inputs changed'})")
    builder.build(pack(files), recipe.tag, {INPUTS_LABEL: digest})
    return Ensured(builder.get_image(recipe.tag), built=True)


def remove_images(builder: Builder, say: Say) -> None:
    """Remove every image of the project. Raises: EngineError where a container still uses one."""
    for recipe in STAND_INS:
        _remove(builder, recipe.tag, say)
    builder.remove_untagged(STAGE_LABEL)
    for tag in (BASE.tag, DEBIAN_TAG):
        _remove(builder, tag, say)


def _remove(builder: Builder, tag: str, say: Say) -> None:
    if builder.find_image(tag):
        say(f"removing the image {tag}")
        builder.remove_image(tag)


def _tell(text: str) -> None:
    sys.stderr.write(text + "\n")


def main(arguments: Sequence[str]) -> None:
    """Build the named images (all, where none is named), or ``--remove`` them; tell what is done on stderr."""
    unknown = sorted(set(arguments) - set(NAMES) - {"--remove"})
    if unknown:
        raise SystemExit(f"no such image: {', '.join(unknown)}; there are {', '.join(NAMES)}")
    try:
        builder = Builder()
        try:
            if "--remove" in arguments:
                remove_images(builder, _tell)
            else:
                ensure_images(builder, _tell, arguments or NAMES)
        finally:
            builder.close()
    except EngineError as error:
        raise SystemExit(str(error)) from error


if __name__ == "__main__":
    main(sys.argv[1:])
