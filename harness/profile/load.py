"""Reads a profile and its sites file. Layer: profile, files.

Every problem is reported, all at once, each as ``file:line:column key.path: message``: shape (schema.py, sites.py), the
identifiers of the trade (identifiers.py), and what only two values together can show (crosscheck.py). Bytes that are no
profile, whatever they are, end in InputError and nothing else. Secrets stay references here.
"""

from __future__ import annotations

import hashlib
import json
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from harness.errors import InputError, Problem
from harness.profile.explain import explain_all
from harness.profile.marked import MAX_BYTES, Marked, read_yaml
from harness.profile.schema import Profile
from harness.profile.sitecheck import crosscheck
from harness.profile.sites import Site, SitesFile
from harness.profile.sites_csv import read_sites_csv

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class LoadedProfile:
    """A profile with its sites, sound as far as can be seen without a lab."""

    path: Path
    """The profile file, absolute."""
    sites_path: Path
    """The sites file, absolute."""
    profile: Profile
    sites: Mapping[str, Site]
    digest: str
    """SHA-256 (hex) of both files as read."""
    warnings: tuple[Problem, ...]
    """What is allowed but unwise."""
    marked: Marked
    """The profile file's data with the places of all values."""

    def find_line(self, key: str) -> int:
        """Return the line where a key path such as ``segments[1].isolated`` stands, or its nearest ancestor."""
        parts = re.findall(r"\[(\d+)\]|([a-z_0-9]+)", key)
        return self.marked.find_mark(tuple(int(number) if number else name for number, name in parts)).line


def load_profile(path: Path | str) -> LoadedProfile:
    """Read a profile and its sites. Raises: InputError with every problem found."""
    file = Path(path)
    content, problems = _read(file, str(path))
    main, found = read_yaml(str(path), content) if not problems else (Marked(str(path), None), ())
    problems += list(found)
    profile = _validate(Profile, main, problems) if main.data is not None else None

    sites_file, sites_marked, sites_content = _read_sites(file, main, problems)
    sites = _validate(SitesFile, sites_marked, problems) if sites_marked and sites_marked.data is not None else None

    errors, warnings = crosscheck(main, sites_marked)
    problems += errors
    if problems or profile is None or sites is None or sites_file is None:
        raise InputError(_in_order(problems or [Problem(str(path), 0, 0, "", "the file holds nothing")]))
    return LoadedProfile(
        path=file.absolute(),
        sites_path=sites_file.absolute(),
        profile=profile,
        sites=sites.sites,
        digest=_digest(content, sites_content),
        warnings=_in_order(warnings),
        marked=main,
    )


def _validate(model: type[M], marked: Marked, problems: list[Problem]) -> M | None:
    """Validate after a JSON round trip, so that lists are tuples and nothing of YAML's own types is left."""
    try:
        return model.model_validate_json(json.dumps(marked.data))
    except ValidationError as error:
        problems += explain_all(error, marked, model)
    return None


def _read_sites(file: Path, main: Marked, problems: list[Problem]) -> tuple[Path | None, Marked | None, bytes]:
    """Read the sites file that the profile names, if it names one."""
    named = main.data.get("sites") if isinstance(main.data, dict) else None
    if not isinstance(named, str) or not named:
        return None, None, b""
    path = file.parent / named
    content, found = _read(path, str(path))
    if found:
        problems += [main.problem(("sites",), f"{problem.file}: {problem.message}") for problem in found]
        return path, None, b""
    marked, more = (read_sites_csv if path.suffix == ".csv" else read_yaml)(str(path), content)
    problems += more
    return path, marked, content


def _read(path: Path, shown: str) -> tuple[bytes, list[Problem]]:
    """Return a file's bytes, one more than allowed at most."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return b"", [Problem(shown, 0, 0, "", "expected a file, saw a directory or a device")]
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1), []
    except OSError as error:
        return b"", [Problem(shown, 0, 0, "", f"cannot be read: {error.strerror or error}")]
    except ValueError as error:  # a NUL in the name
        return b"", [Problem(shown, 0, 0, "", f"is no file name: {error}")]


def _digest(*contents: bytes) -> str:
    digest = hashlib.sha256()
    for content in contents:
        digest.update(len(content).to_bytes(8, "big") + content)  # lengths, so that no bytes can change files
    return digest.hexdigest()


def _in_order(problems: list[Problem]) -> tuple[Problem, ...]:
    """Return the problems in the order of files and lines, each once."""
    return tuple(sorted(dict.fromkeys(problems), key=lambda p: (p.file, p.line, p.column)))
