"""Code points as the RFCs have them, against the names that profiles use."""

from __future__ import annotations

import pytest

from emulators.common.controls import DSCP_VALUES

# RFC 4594 figure 3, column "DSCP value" (binary), by its column "DSCP name". EF: RFC 3246 section 2.7, 101110.
FIGURE_3 = {
    "cs6": "110000", "ef": "101110", "cs5": "101000", "af41": "100010", "af42": "100100", "af43": "100110",
    "cs4": "100000", "af31": "011010", "af32": "011100", "af33": "011110", "cs3": "011000", "af21": "010010",
    "af22": "010100", "af23": "010110", "cs2": "010000", "af11": "001010", "af12": "001100", "af13": "001110",
    "df": "000000", "cs1": "001000",
}  # fmt: skip


def test_the_names_are_those_of_figure_3() -> None:
    assert {name: f"{value:06b}" for name, value in DSCP_VALUES.items()} == FIGURE_3


@pytest.mark.parametrize("af", range(1, 5))
@pytest.mark.parametrize("drop", range(1, 4))
def test_assured_forwarding_is_8x_and_2y(af: int, drop: int) -> None:
    """RFC 2597 section 6: the recommended values, class in the upper three bits, drop precedence in the next two."""
    assert DSCP_VALUES[f"af{af}{drop}"] == (af << 3 | drop << 1)


@pytest.mark.parametrize("selector", range(1, 7))
def test_class_selectors_are_the_old_precedences(selector: int) -> None:
    """RFC 2474 section 4.2.2: xxx000."""
    assert DSCP_VALUES[f"cs{selector}"] == selector << 3
