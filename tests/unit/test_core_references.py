"""References to secrets in arguments, filled in at the last moment."""

from __future__ import annotations

import pytest

from harness.core.references import fill_references, to_reference
from harness.core.sections import SecretRef


def test_every_reference_is_filled_wherever_it_stands() -> None:
    args = {"user": "watch", "auth_key": to_reference(SecretRef("env:A")), "more": [to_reference(SecretRef("file:/b"))]}
    assert fill_references(args, {"env:A": "x", "file:/b": "y"}) == {"user": "watch", "auth_key": "x", "more": ["y"]}
    assert args["auth_key"] == {"$secret": "env:A"}


def test_a_value_that_is_not_there_is_an_error() -> None:
    with pytest.raises(KeyError, match="env:A"):
        fill_references({"key": to_reference(SecretRef("env:A"))}, {})
