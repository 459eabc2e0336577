"""The JSON report: valid by its own published schema, whatever a run holds."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

import harness.reports
from harness.reports.structured import render_json, story_schema
from harness.story.model import Story
from tests.unit.told_runs import HOSTILE, make_hostile, tell_recorded

PUBLISHED = Path(harness.reports.__file__).parent / "story.schema.json"
NAMES = ("brought_up-pier-kiosk", "brought_up-harbour-office", "apn_unknown-pier-kiosk")


def _validate(text: str) -> dict[str, object]:
    document: dict[str, object] = json.loads(text)
    jsonschema.Draft202012Validator(story_schema()).validate(document)
    return document


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(story_schema())


def test_the_published_schema_is_that_of_the_code() -> None:
    assert json.loads(PUBLISHED.read_bytes()) == story_schema()


def test_the_command_prints_the_published_schema() -> None:
    command = [sys.executable, "-m", "harness.cli", "schema", "--story"]
    done = subprocess.run(command, capture_output=True, check=True, timeout=60)
    assert done.stdout == PUBLISHED.read_bytes()


def test_stories_are_valid() -> None:
    document = _validate(render_json([tell_recorded(name) for name in NAMES]))
    stories = document["stories"]
    assert isinstance(stories, list) and [s["decision"] for s in stories] == ["undecided", "undecided", "do not ship"]
    assert len(stories[2]["observations"]) == len(tell_recorded(NAMES[2]).observations)


@pytest.mark.parametrize("key", sorted(Story.__dataclass_fields__))
def test_a_story_that_lacks_a_key_is_not_valid(key: str) -> None:
    document = json.loads(render_json([tell_recorded(NAMES[1])]))
    del document["stories"][0][key]
    with pytest.raises(jsonschema.ValidationError, match=key):
        _validate(json.dumps(document))


def test_a_key_too_many_is_not_valid() -> None:
    document = json.loads(render_json([tell_recorded(NAMES[1])]))
    document["stories"][0]["stages"][0]["more"] = 1
    with pytest.raises(jsonschema.ValidationError, match="more"):
        _validate(json.dumps(document))


def test_nothing_in_it_acts_on_a_terminal_and_nothing_is_lost() -> None:
    text = render_json([make_hostile(tell_recorded(NAMES[2]))])
    assert text.isascii() and "\x1b" not in text and text.count("\n") == 1
    stories = _validate(text)["stories"]
    assert isinstance(stories, list) and stories[0]["headline"] == HOSTILE


def test_what_is_no_number_of_json_becomes_text() -> None:
    odd = {"source": "x", "data": {"nan": float("nan"), "deep": [float("-inf"), 1.5], "lone": "\ud800"}}
    story = replace(tell_recorded(NAMES[1]), observations=(odd,))
    stories = _validate(render_json([story]))["stories"]
    assert isinstance(stories, list)
    assert stories[0]["observations"][0]["data"] == {"nan": "nan", "deep": ["-inf", 1.5], "lone": "\ud800"}
