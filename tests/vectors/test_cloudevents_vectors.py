"""CloudEvents 1.0 against its own text: the examples of the JSON event format (section 3.2), each in both of HTTP's
modes, and a JSON schema written from the rules of the core specification (required and optional attributes)."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import jsonschema
import pytest

from emulators.common.cloudevents import (
    MEDIA_TYPE,
    CloudEvent,
    CloudEventError,
    parse_event,
    parse_request,
    render_event,
)
from emulators.management.alert_sender import build_event
from emulators.management.alerts import Alert

XML_EXAMPLE = {
    "specversion": "1.0",
    "type": "com.example.someevent",
    "source": "/mycontext",
    "id": "B234-1234-1234",
    "time": "2018-04-05T17:31:00Z",
    "comexampleextension1": "value",
    "comexampleothervalue": 5,
    "unsetextension": None,
    "datacontenttype": "application/xml",
    "data": '<much wow="xml"/>',
}
OBJECT_EXAMPLE = {
    **XML_EXAMPLE,
    "subject": None,
    "id": "C234-1234-1234",
    "datacontenttype": "application/json",
    "data": {"appinfoA": "abc", "appinfoB": 123, "appinfoC": True},
}
HEADERS = {
    "ce-specversion": "1.0",
    "ce-type": "com.example.someevent",
    "ce-source": "/mycontext",
    "ce-time": "2018-04-05T17:31:00Z",
    "ce-comexampleextension1": "value",
    "ce-comexampleothervalue": "5",
}
_TEXT = {"type": "string", "minLength": 1}
SCHEMA = {
    "type": "object",
    "required": ["id", "source", "specversion", "type"],
    "properties": {
        "id": _TEXT,
        "source": {**_TEXT, "format": "uri-reference"},
        "specversion": {"const": "1.0"},
        "type": _TEXT,
        "datacontenttype": {**_TEXT, "pattern": "^[^/ ]+/[^/ ]+"},
        "dataschema": {**_TEXT, "format": "uri"},
        "subject": _TEXT,
        "time": {**_TEXT, "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$"},
        "data": {},
        "data_base64": {"type": "string", "contentEncoding": "base64"},
    },
    "propertyNames": {"pattern": "^([a-z0-9]+|data_base64)$"},
    "not": {"required": ["data", "data_base64"]},
}


@pytest.mark.parametrize("example", [XML_EXAMPLE, OBJECT_EXAMPLE])
def test_examples_of_the_json_format(example):
    event = parse_event(json.dumps(example).encode())
    assert (event.id, event.source, event.type) == (example["id"], "/mycontext", "com.example.someevent")
    assert (event.subject, event.time, event.data) == (None, "2018-04-05T17:31:00Z", example["data"])
    assert event.extensions == {"comexampleextension1": "value", "comexampleothervalue": 5}
    assert parse_event(render_event(event)) == event
    structured = {"content-type": f"{MEDIA_TYPE}; charset=UTF-8"}
    assert parse_request(structured, json.dumps(example).encode()) == event


@pytest.mark.parametrize("example", [XML_EXAMPLE, OBJECT_EXAMPLE])
def test_the_same_examples_in_binary_mode(example):
    kind = example["datacontenttype"]
    body = json.dumps(example["data"]) if kind == "application/json" else example["data"]
    event = parse_request({**HEADERS, "ce-id": example["id"], "content-type": kind}, body.encode())
    assert (event.id, event.data, event.datacontenttype) == (example["id"], example["data"], kind)
    assert event.extensions == {"comexampleextension1": "value", "comexampleothervalue": "5"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"id": ""}, "id: expected a non-empty string"),
        ({"source": None}, "source: expected a non-empty string"),
        ({"type": None}, "type: expected"),
        ({"specversion": "0.3"}, "specversion: expected 1.0"),
        ({"subject": ""}, "subject: expected"),
        ({"time": "yesterday"}, "time: expected RFC 3339"),
        ({"source": "a b"}, "source: expected a URI-reference"),
        ({"Upper": "x"}, "expected attribute names"),
        ({"data_base64": "AA=="}, "saw both"),
        ({"extension": [1]}, "saw list"),
    ],
)
def test_what_the_specification_does_not_allow(change, words):
    with pytest.raises(CloudEventError, match=words):
        parse_event(json.dumps({**XML_EXAMPLE, **change}).encode())


def test_batches_and_other_requests_are_refused():
    with pytest.raises(CloudEventError, match="batches"):
        parse_request({"content-type": "application/cloudevents-batch+json"}, b"[]")
    with pytest.raises(CloudEventError, match="headers ce-"):
        parse_request({"content-type": "application/json"}, b"{}")
    with pytest.raises(CloudEventError, match="expected JSON"):
        parse_event(b"{")


def test_our_alerts_keep_the_schema():
    alert = Alert("SK-000017", "tunnel_down", "headquarters", "raised")
    at = datetime(2027, 1, 15, 8, 0, 0, 120_000, tzinfo=UTC)
    event = build_event(alert, "https://ztp.skerry.example", "f3a1", at)
    body = json.loads(render_event(event))
    jsonschema.Draft202012Validator(SCHEMA).validate(body)
    assert body["source"] == "https://ztp.skerry.example/devices/SK-000017"
    assert body["time"] == "2027-01-15T08:00:00.120Z"
    assert parse_event(render_event(event)) == event
    broken = {**body, "specversion": "0.3"}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(SCHEMA).validate(broken)


def test_an_event_without_options_is_whole():
    event = CloudEvent("1", "/here", "example.thing")
    assert json.loads(render_event(event)) == {
        "specversion": "1.0",
        "id": "1",
        "source": "/here",
        "type": "example.thing",
    }
