"""Frozen dataclasses to JSON and back, strictly. Layer: shared by harness and stand-ins; pure, standard library only.

Laws: every field is present in the JSON; an unknown or a missing key (without a default) is an error; ``true`` is not a
number and ``"3"`` is not one either. Supported: str, int, float, bool, None, ``X | None``, ``tuple[X, ...]``,
``Mapping[str, X]``, ``dict[str, X]``, ``Literal``, ``Any`` and nested dataclasses. Not here: validation of meaning.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

T = TypeVar("T")


class RecordError(ValueError):
    """A JSON value does not have the shape of the record."""

    def __init__(self, path: str, expected: str, seen: object) -> None:
        self.path, self.expected, self.seen = path or "(top)", expected, seen
        super().__init__(f"{self.path}: expected {expected}, saw {seen!r:.80}")


class UnknownKeyError(RecordError):
    """A JSON value has a key that the record does not know: whoever wrote it may know more than whoever reads it."""


def to_json(value: Any) -> Any:
    """Return the JSON form of a record, or of a value made of records."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_json(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): to_json(v) for k, v in value.items()}
    if isinstance(value, tuple | list):
        return [to_json(v) for v in value]
    return value


def from_json(cls: type[T], value: Any, path: str = "") -> T:
    """Build a record of class `cls` from JSON. Raises: RecordError."""
    return typing.cast(T, _build(cls, value, path))


def _build(hint: Any, value: Any, path: str) -> Any:
    if hint is Any or hint is object:
        return value
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return _build_dataclass(hint, value, path)
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return _build_union(args, value, path)
    if origin is typing.Literal:
        if value not in args or isinstance(value, bool) != any(isinstance(a, bool) for a in args):
            raise RecordError(path, f"one of {', '.join(map(repr, args))}", value)
        return value
    if origin in (tuple, dict, Mapping):
        return _build_container(origin is tuple, args, value, path)
    return _build_scalar(hint, value, path)


def _build_container(is_list: bool, args: tuple[Any, ...], value: Any, path: str) -> Any:
    if is_list:
        if not isinstance(value, list | tuple):
            raise RecordError(path, "a list", value)
        return tuple(_build(args[0], v, f"{path}[{i}]") for i, v in enumerate(value))
    if not isinstance(value, Mapping):
        raise RecordError(path, "a mapping", value)
    return {str(k): _build(args[1], v, f"{path}.{k}".lstrip(".")) for k, v in value.items()}


def _build_scalar(hint: Any, value: Any, path: str) -> Any:
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if hint is type(None) or hint is None:
        if value is not None:
            raise RecordError(path, "null", value)
        return None
    if not isinstance(value, hint) or (isinstance(value, bool) and hint is not bool):
        raise RecordError(path, f"a value of type {hint.__name__}", value)
    return value


def _build_union(args: tuple[Any, ...], value: Any, path: str) -> Any:
    if value is None and type(None) in args:
        return None
    errors: list[RecordError] = []
    for hint in args:
        if hint is type(None):
            continue
        try:
            return _build(hint, value, path)
        except RecordError as error:
            errors.append(error)
    raise errors[0]


def _build_dataclass(hint: type[Any], value: Any, path: str) -> Any:
    if not isinstance(value, Mapping):
        raise RecordError(path, f"a mapping ({hint.__name__})", value)
    hints = typing.get_type_hints(hint)
    fields = {f.name: f for f in dataclasses.fields(hint)}
    for key in value:
        if key not in fields:
            raise UnknownKeyError(f"{path}.{key}".lstrip("."), f"a key of {hint.__name__}", key)
    built: dict[str, Any] = {}
    for name, field in fields.items():
        where = f"{path}.{name}".lstrip(".")
        if name in value:
            built[name] = _build(hints[name], value[name], where)
        elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            raise RecordError(where, "a value", "nothing")
    return hint(**built)
