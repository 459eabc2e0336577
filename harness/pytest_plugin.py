"""Profiles as pytest items: ``pytest profiles/pier-kiosk.yaml``. Layer: front end; the hooks only.

A YAML file is taken for a profile when it has the top-level keys `format` and `hardware`. The items are in
pytest_items.py, imported when the first profile is collected: this module loads in every pytest of its environment.

Under pytest-xdist all items of a file go to one worker (load-file scheduling is chosen when profiles are named).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

_PROFILE_KEYS = (re.compile(rb"^format:", re.M), re.compile(rb"^hardware:", re.M))


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("branchproof", "prove branch profiles")
    group.addoption("--branch-site", action="append", default=[], help="site to prove (repeatable; default: the first)")
    group.addoption("--branch-pace", choices=("fast", "field"), default="fast", help="the hardware's waits")
    group.addoption("--branch-only", action="append", default=[], help="check to run (repeatable; default: all)")
    group.addoption("--branch-skip", action="append", default=[], help="check to leave out (repeatable)")
    group.addoption("--branch-out", default="runs", help="folder for run folders (default: runs)")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    if file_path.suffix not in (".yaml", ".yml") or not _is_profile(file_path):
        return None
    from harness.pytest_items import ProfileFile  # noqa: PLC0415 - see above

    return ProfileFile.from_parent(parent, path=file_path)


def _is_profile(path: Path) -> bool:
    try:
        content = path.read_bytes()
    except OSError:
        return False
    return all(key.search(content) for key in _PROFILE_KEYS)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Keep a profile on one worker, where the arguments name one."""
    from xdist.scheduler import LoadFileScheduling  # noqa: PLC0415 - only there when xdist is

    named = (Path(arg.split("::")[0]) for arg in config.args)
    if any(p.suffix in (".yaml", ".yml") or (p.is_dir() and any(map(_is_profile, p.glob("*.y*ml")))) for p in named):
        return LoadFileScheduling(config, log)
    return None


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> None:
    """Take a site's lab down after its last item."""
    site = getattr(item, "site", None)
    if site is not None and (nextitem is None or nextitem.parent is not item.parent):
        site.finish()
