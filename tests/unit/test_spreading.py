"""Which tests stay together when they are spread: those of a file with labs or a browser, or of a profile in it."""

from __future__ import annotations

import pytest

from tests.conftest import LAB_A_PROFILE, find_scope


@pytest.mark.parametrize(
    ("one", "other", "together"),
    [
        ("tests/lab/test_kept.py::test_a", "tests/lab/test_kept.py::test_b[x]", True),
        ("tests/lab/test_kept.py::test_a", "tests/lab/test_qos.py::test_a", False),
        ("tests/lab/test_drill.py::test_a[pier-kiosk]", "tests/lab/test_drill.py::test_a[harbour-office]", True),
        ("tests/contract/test_c.py::test_a[fake]", "tests/contract/test_c.py::test_b[real]", True),
        ("tests/browser/test_show_page.py::test_a", "tests/browser/test_show_page.py::test_b", True),
        ("tests/unit/test_qos.py::test_a", "tests/unit/test_qos.py::test_b", False),
    ],
)
def test_tests_of_a_lab_file_stay_together(one: str, other: str, together: bool) -> None:
    assert (find_scope(one) == find_scope(other)) is together


@pytest.mark.parametrize("path", LAB_A_PROFILE)
def test_where_a_profile_has_a_lab_those_of_a_profile_stay_together(path: str) -> None:
    kiosk, more, office, none = (
        find_scope(f"{path}::{name}")
        for name in ("test_a[pier-kiosk]", "test_b[pier-kiosk: qos]", "test_a[harbour-office: qos]", "test_c")
    )
    assert kiosk == more
    assert len({kiosk, office, none}) == 3
