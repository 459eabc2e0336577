"""A validation error of pydantic in this project's own words, at its place in the file. Layer: profile, pure.

Every message says what was expected and what was seen. What was seen is left out where a secret, or a section that may
hold one, stands; a secret written where its reference belongs must not reach a terminal or a log.
"""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel, ValidationError

from harness.errors import Problem
from harness.profile.marked import Marked, Path

SECRET_KEYS = {"pin", "password", "psk", "auth_key", "priv_key", "secret"}

_SHAPES = {
    "model_type": "a mapping of keys to values",
    "model_attributes_type": "a mapping of keys to values",
    "dict_type": "a mapping of keys to values",
    "tuple_type": "a list",
    "list_type": "a list",
}
_SCALARS = {
    "string_type": "a text",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
}
_KINDS = {
    bool: "true or false",
    int: "a number",
    float: "a number",
    str: "a text",
    list: "a list",
    dict: "a mapping",
}


def explain_all(error: ValidationError, marked: Marked, model: type[BaseModel]) -> list[Problem]:
    """Return every problem of a validation error."""
    found = []
    for item in error.errors(include_url=False):
        path: Path = tuple(part for part in item["loc"] if part != "[key]")
        if item["type"] == "too_short" and len(item["input"]) >= item["ctx"]["min_length"]:
            continue  # pydantic counts only the items that hold, and those that do not have their own problem
        found.append(marked.problem(path, _explain(dict(item), path, marked, model)))
    return found


def nearest(name: str, known: Iterable[str], *, what: str = "known") -> str:
    """Return a hint: the nearest of the known names, or all of them."""
    names = sorted(known)
    near = difflib.get_close_matches(name, names, n=1)
    if near:
        return f"; nearest: {near[0]}"
    return f"; {what}: {', '.join(names)}" if names else ""


def _explain(item: dict[str, Any], path: Path, marked: Marked, model: type[BaseModel]) -> str:  # noqa: PLR0911
    kind, seen, context = item["type"], item.get("input"), item.get("ctx", {})
    if kind == "missing":
        return f"missing{_describe_field(model, path)}"
    if kind == "extra_forbidden":
        return f"unknown key{nearest(str(path[-1]), _known_keys(model, path[:-1]), what='known keys')}"
    if kind == "value_error":
        return str(context["error"])
    if kind in _SHAPES:
        return f"expected {_SHAPES[kind]}, saw {_describe_kind(seen)}"
    shown = "" if _is_secret(path) or isinstance(seen, dict | list) else f", saw {_show(seen, marked.plain.get(path))}"
    if kind in _SCALARS:
        return f"expected {_SCALARS[kind]}{shown or f', saw {_describe_kind(seen)}'}{_quoting(kind, path, marked)}"
    if kind == "literal_error":
        expected = context["expected"]
        known = [word.strip("'") for word in expected.replace(" or ", ", ").split(", ")]
        hint = nearest(seen, known) if isinstance(seen, str) and len(known) > 2 else ""
        return f"expected {expected}{shown}{hint if hint.startswith('; nearest') else ''}"
    return f"{_reword(str(item['msg']))}{shown}"


def _reword(message: str) -> str:
    for old, new in (
        ("Input should be", "expected a value"),
        ("String should match pattern", "expected a text that matches"),
        ("String should have", "expected a text of"),
        ("Tuple should have", "expected a list of"),
        ("Dictionary should have", "expected a mapping of"),
        (" after validation", ""),
    ):
        message = message.replace(old, new)
    return message


def _quoting(kind: str, path: Path, marked: Marked) -> str:
    plain = marked.plain.get(path)
    if kind != "string_type" or not plain:
        return ""
    return "; put it in quotes" if _is_secret(path) else f'; quote it: "{plain}"'


def _is_secret(path: Path) -> bool:
    return any(part in SECRET_KEYS for part in path)


def _show(value: Any, plain: str | None) -> str:
    if plain is not None and value is not None:
        return f"{'the number ' if not isinstance(value, bool) else ''}{plain:.60}"
    return _describe_kind(value) if value is None else repr(value)[:60]


def _describe_kind(value: Any) -> str:
    if value is None:
        return "nothing"
    return _KINDS.get(type(value), type(value).__name__)


def _describe_field(model: type[BaseModel], path: Path) -> str:
    section = _find_model(model, path[:-1])
    field = section.model_fields.get(str(path[-1])) if section else None
    return f"; expected here: {field.description}" if field and field.description else ""


def _known_keys(model: type[BaseModel], path: Path) -> list[str]:
    section = _find_model(model, path)
    return list(section.model_fields) if section else []


def _find_model(model: type[BaseModel], path: Path) -> type[BaseModel] | None:
    """Return the model of the section at a path, or None where there is none."""
    hint: Any = model
    for part in path:
        if isinstance(hint, type) and issubclass(hint, BaseModel):
            field = hint.model_fields.get(str(part))
            if field is None:
                return None
            hint = _unwrap(field.annotation)
        elif typing.get_origin(hint) in (tuple, dict):
            hint = _unwrap(typing.get_args(hint)[1 if typing.get_origin(hint) is dict else 0])
        else:
            return None
    return hint if isinstance(hint, type) and issubclass(hint, BaseModel) else None


def _unwrap(hint: Any) -> Any:
    """Take off Annotated and ``| None``."""
    while True:
        origin, args = typing.get_origin(hint), typing.get_args(hint)
        if origin is typing.Annotated:
            hint = args[0]
        elif origin in (typing.Union, types.UnionType):
            hint = next(arg for arg in args if arg is not type(None))
        else:
            return hint
