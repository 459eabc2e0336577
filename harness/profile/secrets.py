"""Reads a plan's secrets at the edge, just before the lab starts. Layer: profile, files and environment.

A plan holds references, absolute where they are files; this is the only place that follows them. No message shows a
value. A file's trailing newline is not part of the secret.

Not here: striking secrets out of evidence (run_folder.py).
"""

from __future__ import annotations

import dataclasses
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from harness.core.model import Plan
from harness.core.sections import SecretRef
from harness.errors import InputError, Problem

MAX_BYTES = 4096  # common practice, no source: far above any password or key that a person or a tool makes
SNMP_CHARACTERS = 8  # RFC 3414 §11.2: passwords at least 8 characters long
PIN = re.compile(r"[0-9]{4,8}")  # ETSI TS 102 221 §9.5.1 (from memory): 4 to 8 decimal digits
LEAST_OCTETS = (
    ("psk", 20, "common practice"),  # RFC 7296 §2.15: as much randomness as the strongest key, but no number
    ("radius.secret", 16, "RFC 2865 §3"),
)


def resolve_secrets(plan: Plan, environ: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return reference to value for every secret of the plan. Raises: InputError naming each one that is not there."""
    environ = os.environ if environ is None else environ
    values: dict[str, str] = {}
    problems: list[Problem] = []
    for key, secret in find_secrets(plan):
        value, complaint = _read(secret.ref, environ)
        complaint = complaint or _judge(key, value)
        if complaint:
            problems.append(_problem(plan, key, f"{secret.ref}: {complaint}"))
        values[secret.ref] = value
    if problems:
        raise InputError(tuple(problems))
    return values


def find_weak_secrets(plan: Plan, values: Mapping[str, str]) -> tuple[Problem, ...]:
    """Return a warning for each secret that works but is easily guessed."""
    found = []
    for key, secret in find_secrets(plan):
        for end, least, source in LEAST_OCTETS:
            if key.endswith(end) and len(values[secret.ref].encode()) < least:
                found.append(_problem(plan, key, f"{secret.ref}: expected {least} octets or more ({source})"))
    return tuple(found)


def find_secrets(plan: Plan) -> Iterator[tuple[str, SecretRef]]:
    """Yield (key path in the plan, reference) for every secret of a plan."""
    yield from _walk("branch", plan.branch)
    yield from _walk("records", plan.records)


def _walk(key: str, value: Any) -> Iterator[tuple[str, SecretRef]]:
    if isinstance(value, SecretRef):
        yield key, value
    elif isinstance(value, tuple):
        for index, item in enumerate(value):
            yield from _walk(f"{key}[{index}]", item)
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from _walk(f"{key}.{field.name}", getattr(value, field.name))


def _read(ref: str, environ: Mapping[str, str]) -> tuple[str, str]:
    """Return (value, "") or ("", what is wrong)."""
    kind, _, where = ref.partition(":")
    if kind == "env":
        return (environ[where], "") if where in environ else ("", "there is no such environment variable; export it")
    try:
        path = Path(where)
        if not path.is_file():
            return "", "there is no such file" if not path.exists() else "expected a file, saw a directory or a device"
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        return "", f"cannot be read: {getattr(error, 'strerror', None) or 'not a file name'}"
    if len(content) > MAX_BYTES:
        return "", f"expected at most {MAX_BYTES} bytes, saw more"
    try:
        return content.decode("utf-8").removesuffix("\n").removesuffix("\r"), ""
    except UnicodeDecodeError:
        return "", "expected UTF-8 text"


def _judge(key: str, value: str) -> str:
    """Return what is wrong with a value, without showing it."""
    if not value:
        return "expected a secret, saw nothing"
    if not value.isprintable():
        return "expected one line of printable characters"
    if key.endswith(".pin") and not PIN.fullmatch(value):
        return "expected a PIN of 4 to 8 digits (ETSI TS 102 221 §9.5.1)"
    if key.endswith(("auth_key", "priv_key")) and len(value) < SNMP_CHARACTERS:
        return f"expected at least {SNMP_CHARACTERS} characters (RFC 3414 §11.2)"
    return ""


def _problem(plan: Plan, key: str, message: str) -> Problem:
    return Problem(f"profile {plan.branch.profile}, site {plan.branch.site}", 0, 0, key, message)
