"""How tests are spread over processes (pytest-xdist, `-n`): those of a file that starts labs stay together, in order:
they share labs, networks or names. Where a file has one lab a profile, those of a profile do. Those of a file that
drives a browser share that. Others go one by one.
"""

from __future__ import annotations

from typing import Any

import pytest

TOGETHER = ("tests/lab/", "tests/contract/", "tests/browser/")
LAB_A_PROFILE = ("tests/lab/test_prove.py", "tests/lab/test_twins.py")
PROFILES = ("pier-kiosk", "harbour-office")


def find_scope(test: str) -> str:
    """Return what is the same for tests that stay together. `test`: the id that pytest gives it."""
    path, _, name = test.partition("::")
    if not path.startswith(TOGETHER):
        return test
    profiles = [p for p in PROFILES if f"[{p}" in name] if path in LAB_A_PROFILE else []
    return " ".join((path, *profiles))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    from xdist.scheduler import LoadScopeScheduling

    class Scheduling(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return find_scope(nodeid)

    return Scheduling(config, log)
