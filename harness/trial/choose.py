"""Faults by their names: what a command line asks for, and what a suite is. Layer: trial, pure."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from harness.core.faults import Applied, Fault, Parameter, Value
from harness.core.model import Plan
from harness.errors import InputError, Problem

SUITES = ("common", "all")


def parse_applied(text: str, faults: Sequence[Fault], option: str) -> Applied:
    """Read ``NAME[:parameter=value]...``. Raises: InputError naming the option."""
    name, *settings = text.split(":")
    fault = next((f for f in faults if f.name == name), None)
    if fault is None:
        raise _refuse(option, f"no fault {name!r}; `branchproof faults` lists them")
    values = fault.usual()
    for setting in settings:
        key, mark, value = setting.partition("=")
        known = next((p for p in fault.parameters if p.name == key), None)
        if known is None or not mark:
            names = ", ".join(p.name for p in fault.parameters) or "none"
            raise _refuse(option, f"{text}: expected parameter=value, parameters are {names}; saw {setting!r}")
        values[key] = _read(option, text, known, value)
    return Applied(fault, values)


def _read(option: str, text: str, parameter: Parameter, value: str) -> Value:
    if isinstance(parameter.usual, str):
        return value
    try:
        number = float(value)
    except ValueError:
        number = -1.0
    if not 0 <= number < 1e12:
        raise _refuse(option, f"{text}: expected {parameter.name} in {parameter.unit}, a number from 0, saw {value!r}")
    return number


def _refuse(option: str, message: str) -> InputError:
    return InputError((Problem(option, 0, 0, "", message),))


def list_suite(names: Sequence[str], faults: Sequence[Fault]) -> tuple[Applied, ...]:
    """Return a suite: ``common``, ``all``, or faults by name, each once. Raises: InputError."""
    if list(names) == ["all"]:
        return tuple(Applied(f, f.usual()) for f in faults)
    if list(names) == ["common"]:
        return tuple(Applied(f, f.usual()) for f in faults if f.met == "common")
    return tuple(parse_applied(name, faults, "--suite") for name in dict.fromkeys(names))


def find_reason(plan: Plan, applied: Applied) -> str | None:
    """Return why a fault cannot befall a branch, or None."""
    return applied.fault.why_not(plan, applied.values)


def list_variants(fault: Fault) -> tuple[Applied, ...]:
    """Return a fault with each of its further values, one at a time."""
    return tuple(
        Applied(fault, fault.usual() | {parameter.name: value})
        for parameter in fault.parameters
        for value in parameter.others
    )


def is_kept_back(applied: Applied) -> bool:
    """Say whether these values are never used while rules are written: a third of all variants, by the digest of their
    text, so that nobody chooses which."""
    return hashlib.sha256(applied.text.encode()).digest()[0] % 3 == 0
