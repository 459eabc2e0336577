"""Stories as JSON for programs, and the JSON Schema that says what is in it. Layer: reports, pure.

The schema is made from the story's own classes, so it cannot say another thing; `story.schema.json` beside this file is
what `branchproof schema --story` prints (held by a test). All letters beyond ASCII are written as ``\\uXXXX``: nothing
acts on a terminal. What JSON has no number for (a tape may hold ``NaN``) becomes a text.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema

from harness.story.model import Story


@dataclass(frozen=True, slots=True)
class Document:
    """One or more runs. `format` grows when a reader of the one before would misread this one."""

    format: Literal[1]
    stories: tuple[Story, ...]


def render_json(stories: Sequence[Story]) -> str:
    """Return the stories as one JSON document, one line."""
    return json.dumps(_to_json(Document(1, tuple(stories))), allow_nan=False, separators=(",", ":")) + "\n"


def _to_json(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _to_json(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _to_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_to_json(item) for item in value]
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def story_schema() -> dict[str, Any]:
    """Return the JSON Schema of `render_json`'s documents: every key is there, and no other."""
    schema = TypeAdapter(Document).json_schema(mode="serialization")
    for part in (schema, *schema["$defs"].values()):
        if "properties" in part:
            part |= {"required": sorted(part["properties"]), "additionalProperties": False}
            for field in part["properties"].values():
                field.pop("title", None)  # its own name in other letters
    return {"$schema": GenerateJsonSchema.schema_dialect, **schema, "title": "Runs of branchproof, told"}
