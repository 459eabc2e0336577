"""Secrets in an ask's arguments: ``{"$secret": REF}`` stands for a value until the lab sends it. Layer: core, pure.

REF is a plan's `SecretRef` (``env:NAME``, ``file:PATH``) or ``run:operator_key`` or
``run:operator_password``, the operator's private key and first password, made for the run.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.core.sections import SecretRef

MARK = "$secret"
OPERATOR_KEY = SecretRef("run:operator_key")
OPERATOR_PASSWORD = SecretRef("run:operator_password")


def to_reference(secret: SecretRef) -> dict[str, str]:
    """Return the argument that stands for a secret."""
    return {MARK: secret.ref}


def fill_references(args: Any, values: Mapping[str, str]) -> Any:
    """Return arguments with every reference replaced by its value. Raises: KeyError for a value that is not there."""
    if isinstance(args, Mapping):
        if set(args) == {MARK}:
            return values[args[MARK]]
        return {key: fill_references(value, values) for key, value in args.items()}
    if isinstance(args, list | tuple):
        return [fill_references(value, values) for value in args]
    return args
