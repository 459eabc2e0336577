"""AT command lines: cut into commands, and struck clean of secrets. Layer: modem hardware, pure.

ITU-T V.250 clause 5.2.1: a line is ``AT``, a body, and S3 (CR); clause 5.4: basic commands are one letter (or & and a
letter) with an optional number, extended ones ``+NAME`` with ``?``, ``=?``, ``=values`` or nothing; after an extended
command a semicolon separates the next. Not here: what a command does (commands.py).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Form = Literal["do", "read", "test", "set"]

_BASIC = re.compile(r"(&?[A-Z])(\d*)", re.IGNORECASE)
_NAME = re.compile(r"\+[A-Z][A-Z0-9!%\-./:_]{0,15}", re.IGNORECASE)  # V.250 clause 5.4.1
_PIN = re.compile(r"(\+C(?:PIN|LCK|PWD)\s*=)(?!\?)[^;\r]*", re.IGNORECASE)
_AUTH = re.compile(
    r'(\+CGAUTH\s*=\s*\d+\s*,\s*\d+\s*,\s*(?:"[^"]*"|[^,;"]*)\s*,)\s*(?:"[^"]*"?|[^;\r]*)', re.IGNORECASE
)


class AtSyntaxError(ValueError):
    """The line is not a sequence of commands."""


@dataclass(frozen=True, slots=True)
class Command:
    """`args` are the values of a set command; a string constant has lost its quotes, "" is "not given"."""

    name: str
    form: Form
    args: tuple[str, ...] = ()


def split_line(body: str) -> tuple[Command, ...]:
    """Cut the body of a line (after AT) into its commands. Raises: AtSyntaxError."""
    found: list[Command] = []
    at = 0
    while at < len(body):
        if body[at] in " ;":
            at += 1
        elif body[at] == "+":
            command, at = _take_extended(body, at)
            found.append(command)
        else:
            match = _BASIC.match(body, at)
            if match is None:
                raise AtSyntaxError(f"expected a command, saw {body[at:]!r}")
            found.append(Command(match[1].upper(), "set", (match[2],)))
            at = match.end()
    return tuple(found)


def _take_extended(body: str, at: int) -> tuple[Command, int]:
    match = _NAME.match(body, at)
    if match is None:
        raise AtSyntaxError(f"expected a command name, saw {body[at:]!r}")
    end = _find_end(body, match.end())
    name, rest = match[0].upper(), body[match.end() : end].strip()
    if not rest:
        return Command(name, "do"), end
    if rest == "?":
        return Command(name, "read"), end
    if rest == "=?":
        return Command(name, "test"), end
    if not rest.startswith("="):
        raise AtSyntaxError(f"expected ?, =? or = after {name}")
    return Command(name, "set", tuple(map(unescape, split_values(rest[1:])))), end


def _find_end(body: str, at: int) -> int:
    """Return where the command ends: the next semicolon outside quotes, or the end."""
    quoted = False
    for place in range(at, len(body)):
        if body[place] == '"':
            quoted = not quoted
        elif body[place] == ";" and not quoted:
            return place
    if quoted:
        raise AtSyntaxError("expected a closing quote")
    return len(body)


def split_values(text: str) -> tuple[str, ...]:
    """Cut comma-separated values, string constants included (also of information responses)."""
    values, value, quoted = [], "", False
    for letter in text:
        if letter == '"':
            quoted = not quoted
        elif letter == "," and not quoted:
            values.append(value.strip())
            value = ""
        else:
            value += letter
    return (*values, value.strip())


def unescape(value: str) -> str:
    r"""Return a string constant with each \hh turned into its character (V.250 clause 5.4.2.2)."""
    return re.sub(r"\\([0-9A-Fa-f]{2})", lambda match: chr(int(match[1], 16)), value)


def strike(line: str) -> str:
    """Return the line without PIN, PUK and passwords."""
    return _AUTH.sub(r"\1***", _PIN.sub(r"\1***", line))
