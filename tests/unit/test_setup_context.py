"""Build contexts: what goes in, the digest that decides whether to build, the tar. Checked with GNU tar."""

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import EngineError
from harness.setup import images
from harness.setup.context import File, digest_files, find_package, pack, read_tree

NAMES = st.text("abcdefgh.", min_size=1, max_size=8).filter(lambda name: name.strip("."))
FILES = st.dictionaries(NAMES, st.builds(File, st.binary(max_size=40), st.booleans()), max_size=5)


@given(FILES, FILES)
def test_digest_tells_contexts_apart_and_equal_ones_not(one: dict[str, File], other: dict[str, File]) -> None:
    turned = dict(reversed(list(one.items())))
    assert digest_files(one, "base") == digest_files(turned, "base")
    assert pack(one) == pack(turned)
    assert (digest_files(one, "base") == digest_files(other, "base")) == (one == other)
    assert digest_files(one, "base") != digest_files(one, "another base")


def test_tar_as_gnu_tar_reads_it(tmp_path: Path) -> None:
    (tmp_path / "context.tar").write_bytes(pack({"opt/b.py": File(b"x = 1\n"), "a.sh": File(b"#!/bin/sh\n", True)}))
    listing = subprocess.run(
        ["tar", "--utc", "-tvf", "context.tar"], cwd=tmp_path, check=True, capture_output=True, text=True
    ).stdout.splitlines()
    assert [line.split() for line in listing] == [
        ["-rwxr-xr-x", "root/root", "10", "1970-01-01", "00:00", "a.sh"],
        ["-rw-r--r--", "root/root", "6", "1970-01-01", "00:00", "opt/b.py"],
    ]
    subprocess.run(["tar", "-xf", "context.tar", "--no-same-owner"], cwd=tmp_path, check=True)
    assert (tmp_path / "opt/b.py").read_bytes() == b"x = 1\n"


def test_tree_leaves_bytecode_out_and_keeps_what_is_executable(tmp_path: Path) -> None:
    (tmp_path / "p/__pycache__").mkdir(parents=True)
    (tmp_path / "p/__pycache__/m.cpython-311.pyc").write_bytes(b"old")
    (tmp_path / "p/m.py").write_text("")
    (tmp_path / "p/run.sh").write_text("#!/bin/sh\n")
    (tmp_path / "p/run.sh").chmod(0o700)
    (tmp_path / "p/m.py").chmod(0o600)
    assert read_tree(tmp_path / "p", "opt/p") == {"opt/p/m.py": File(b""), "opt/p/run.sh": File(b"#!/bin/sh\n", True)}
    assert read_tree(tmp_path / "nowhere", "opt/p") == {}


def test_missing_package_is_named() -> None:
    with pytest.raises(EngineError, match="no_such_package"):
        find_package("no_such_package")


@pytest.mark.parametrize("recipe", [images.BASE, *images.STAND_INS], ids=lambda recipe: recipe.name)
def test_every_source_of_a_recipe_is_there(recipe: images.Recipe) -> None:
    files = images.collect_files(recipe)
    assert files["Dockerfile"].content.splitlines()[0].startswith(b"#")
    for path in recipe.code:
        assert any(name.startswith(f"opt/{path}") for name in files), path
    for package in recipe.packages:
        assert f"opt/{package}/__init__.py" in files
        assert not any(name.endswith(".so") for name in files), "a compiled module would tie the image to this machine"


def test_router_image_holds_no_firmware() -> None:
    router = next(recipe for recipe in images.STAND_INS if recipe.name == "router")
    assert not [name for name in images.collect_files(router) if "emulators/router/runtime" in name]
