"""What README.md points to is there: pictures, files, places in it; and what it says of commands is what they take."""

from __future__ import annotations

import re
import struct
import subprocess
import sys

import pytest
from markdown_it import MarkdownIt

from tests.browser.screenshots import FOLDER, MOST_BYTES, PICTURES
from tests.recorded import ROOT

TEXT = (ROOT / "README.md").read_text("utf-8")


def list_links() -> list[str]:
    """Return where links and pictures of the README lead, as a Markdown parser reads it."""
    found: list[str] = []
    for token in MarkdownIt("commonmark").parse(TEXT):
        for child in token.children or ():
            found += [str(child.attrs[name]) for name in ("href", "src") if name in child.attrs]
    return found


def test_links_and_pictures_lead_somewhere() -> None:
    titles = re.findall(r"^#+ (.*)$", TEXT, re.M)
    heads = {"#" + re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}
    links = list_links()
    assert {str((FOLDER / name).relative_to(ROOT)) for name in PICTURES} <= set(links)
    lost = [one for one in links if not (one in heads if one.startswith("#") else (ROOT / one).is_file())]
    assert lost == []


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_a_png_of_the_width_that_is_said_and_not_large(name: str) -> None:
    content = (FOLDER / name).read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n") and struct.unpack(">I", content[16:20]) == (1280,)
    assert len(content) <= MOST_BYTES
    assert {p.name for p in FOLDER.iterdir()} == set(PICTURES)


@pytest.mark.parametrize("name", ["report", "show"])
def test_the_options_that_it_names_are_those_of_the_command(name: str) -> None:
    (line,) = re.findall(rf"^branchproof {name} [\w\[.].*\[--.*$", TEXT, re.M)
    done = subprocess.run(
        [sys.executable, "-m", "harness.cli", name, "--help"], capture_output=True, text=True, check=True, timeout=60
    )
    listed = set(re.findall(r"--[a-z-]+", line))
    taken = set(re.findall(r"--[a-z-]+", done.stdout)) - {"--help"}
    assert listed == taken
