"""What is kept of a lab that is left up, for whoever takes it over: seeds, materials, where its numbers stand.

Layer: lab, pure. Secrets are among it (keys of the run, what each stand-in was told), so it goes nowhere but into the
engine, beside the containers that were told (kept.py); never into a run folder. Materials are written field by
field of their records; octets as base64.
"""

from __future__ import annotations

import base64
import dataclasses
import json
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from harness.lab.seeds import Materials

FORMAT = 1


class PapersError(ValueError):
    """What was kept is not in the shape that this version of the bench reads."""


@dataclass(frozen=True, slots=True)
class Papers:
    """`nodes`: the containers' nodes. `subnets`: the engine's nominal subnet of each network. `commands`: the number
    from which commands are to be counted. `folder`: the last run's, absolute. `powered`: the router has power."""

    run: str
    folder: str
    seeds: Mapping[str, Any]
    materials: Materials
    nodes: tuple[str, ...]
    subnets: Mapping[str, str]
    commands: int
    powered: bool


def render_papers(papers: Papers) -> bytes:
    """Return the papers as JSON."""
    return json.dumps({"format": FORMAT, **_to_json(papers)}, ensure_ascii=False).encode()


def parse_papers(content: bytes) -> Papers:
    """Read the papers. Raises: PapersError."""
    try:
        value = json.loads(content)
        if value.pop("format", None) != FORMAT:
            raise PapersError(f"expected format {FORMAT}")
        papers: Papers = _from_json(Papers, value)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise PapersError(f"expected a lab's papers: {type(error).__name__}: {error}") from error
    return papers


def _to_json(value: Any) -> Any:
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _to_json(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): _to_json(v) for k, v in value.items()}
    if isinstance(value, tuple | list):
        return [_to_json(v) for v in value]
    return value


def _from_json(hint: Any, value: Any) -> Any:
    if hint is bytes:
        return base64.b64decode(value, validate=True)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        hints = typing.get_type_hints(hint)
        return hint(**{name: _from_json(hints[name], v) for name, v in value.items()})
    return _from_generic(typing.get_origin(hint), typing.get_args(hint), value)


def _from_generic(origin: Any, args: tuple[Any, ...], value: Any) -> Any:
    if origin in (typing.Union, types.UnionType) and value is not None:
        return _from_json(next(a for a in args if a is not types.NoneType), value)
    if origin is tuple:
        return tuple(_from_json(args[0], v) for v in value)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {args[0](k): _from_json(args[1], v) for k, v in value.items()}
    return value
