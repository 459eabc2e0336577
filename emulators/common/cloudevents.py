"""CloudEvents 1.0 (CNCF specification 1.0.2) as JSON, and over HTTP. Layer: shared, pure.

Written in HTTP's structured mode; read in structured and in binary mode (HTTP protocol binding sections 3.1 and 3.2).
An event that the specification does not allow is an error with a name. Not here: transport, retries.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote

SPECVERSION = "1.0"
MEDIA_TYPE = "application/cloudevents+json"
"""JSON event format section 3, in structured mode with the charset that HTTP binding section 3.2 shows."""
REQUIRED = ("id", "source", "specversion", "type")
"""Section "Required attributes": each a non-empty string."""
_NAME = re.compile(r"[a-z0-9]+")  # section "Attribute Naming Convention"
_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)")  # RFC 3339 section 5.6
_URI_REFERENCE = re.compile(r"[A-Za-z0-9._~:/?#\[\]@!$&'()*+,;=%-]+")  # RFC 3986 section 2: its characters
_HEADER = "ce-"


class CloudEventError(ValueError):
    """Bytes are not an event of CloudEvents 1.0."""


@dataclass(frozen=True, slots=True)
class CloudEvent:
    """One event. `time` is RFC 3339 text; `data` is JSON's, or text where the content type is another."""

    id: str
    source: str
    type: str
    subject: str | None = None
    time: str | None = None
    datacontenttype: str | None = None
    data: Any = None
    extensions: Mapping[str, Any] = field(default_factory=dict)


def render_event(event: CloudEvent) -> bytes:
    """Return the event in the JSON event format."""
    attributes = {
        "specversion": SPECVERSION,
        "id": event.id,
        "source": event.source,
        "type": event.type,
        "subject": event.subject,
        "time": event.time,
        "datacontenttype": event.datacontenttype,
        "data": event.data,
        **event.extensions,
    }
    present = {name: value for name, value in attributes.items() if value is not None}
    return json.dumps(present, ensure_ascii=False, separators=(",", ":")).encode()


def parse_request(headers: Mapping[str, str], body: bytes) -> CloudEvent:
    """Read an event from an HTTP request. `headers`: names in lower case. Raises: CloudEventError."""
    media_type = headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type == MEDIA_TYPE:
        return parse_event(body)
    if media_type.startswith("application/cloudevents"):
        raise CloudEventError(f"expected {MEDIA_TYPE}, saw {media_type}: batches and other formats are not taken")
    named = {n.removeprefix(_HEADER): unquote(v) for n, v in headers.items() if n.startswith(_HEADER)}
    if not named:
        raise CloudEventError(f"expected {MEDIA_TYPE} or headers {_HEADER}*, saw content type {media_type!r}")
    data: Any = body.decode("utf-8", "replace") if body else None
    if body and (media_type == "application/json" or media_type.endswith("+json")):
        data = _load(body)
    return _build({**named, "datacontenttype": headers.get("content-type")}, data)


def parse_event(body: bytes) -> CloudEvent:
    """Read one event in the JSON event format. Raises: CloudEventError."""
    members = _load(body)
    if not isinstance(members, dict):
        raise CloudEventError(f"expected one JSON object, saw {body[:60]!r}")
    if "data" in members and "data_base64" in members:
        raise CloudEventError("expected data or data_base64, saw both")
    data = members.pop("data", members.pop("data_base64", None))
    return _build({name: value for name, value in members.items() if value is not None}, data)


def _load(body: bytes) -> Any:
    try:
        return json.loads(body.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise CloudEventError(f"expected JSON, saw {body[:60]!r}: {error}") from error


def _build(attributes: Mapping[str, Any], data: Any) -> CloudEvent:
    _check_names(attributes)
    for name in REQUIRED:
        if not isinstance(attributes.get(name), str) or not attributes[name]:
            raise CloudEventError(f"{name}: expected a non-empty string, saw {attributes.get(name)!r}")
    if attributes["specversion"] != SPECVERSION:
        raise CloudEventError(f"specversion: expected {SPECVERSION}, saw {attributes['specversion']!r}")
    if not _URI_REFERENCE.fullmatch(attributes["source"]):
        raise CloudEventError(f"source: expected a URI-reference, saw {attributes['source']!r}")
    optional = _check_optional(attributes)
    known = {*REQUIRED, "subject", "time", "datacontenttype"}
    return CloudEvent(
        id=attributes["id"],
        source=attributes["source"],
        type=attributes["type"],
        subject=optional["subject"],
        time=optional["time"],
        datacontenttype=optional["datacontenttype"],
        data=data,
        extensions={n: v for n, v in attributes.items() if n not in known and v is not None},
    )


def _check_names(attributes: Mapping[str, Any]) -> None:
    for name, value in attributes.items():
        if not _NAME.fullmatch(name):
            raise CloudEventError(f"expected attribute names of a-z and 0-9, saw {name!r}")
        if value is not None and not isinstance(value, str | bool | int):
            raise CloudEventError(f"{name}: expected a string, an integer or a boolean, saw {type(value).__name__}")


def _check_optional(attributes: Mapping[str, Any]) -> dict[str, Any]:
    optional = {name: attributes.get(name) for name in ("subject", "time", "datacontenttype", "dataschema")}
    for name, value in optional.items():
        if value is not None and (not isinstance(value, str) or not value):
            raise CloudEventError(f"{name}: expected a non-empty string, saw {value!r}")
    if optional["time"] is not None and not _TIME.fullmatch(optional["time"]):
        raise CloudEventError(f"time: expected RFC 3339, saw {optional['time']!r}")
    return optional
