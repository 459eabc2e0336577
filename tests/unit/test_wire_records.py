"""Lines and records: strict in, equal out; any bytes give a record or a named error and nothing else."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.common import wire
from emulators.common.controls import Reach
from emulators.common.device_config import DhcpRange, Segment
from emulators.common.record import RecordError, from_json, to_json

JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)
EVENTS = st.builds(
    wire.Event,
    node=st.text(),
    part=st.text(),
    kind=st.text(),
    at_ns=st.integers(0, 2**63),
    wall_ns=st.integers(0, 2**63),
    seq=st.integers(0, 2**31),
    data=st.dictionaries(st.text(), JSON, max_size=4),
)


@given(EVENTS)
def test_event_survives_the_wire(event: wire.Event) -> None:
    line = wire.render(event)
    assert line.endswith(b"\n") and line.count(b"\n") == 1  # the framing rests on it: JSON escapes control characters
    assert wire.parse_event(line) == event


@given(st.binary(max_size=200) | JSON.map(lambda v: json.dumps(v).encode()))
def test_any_line_is_an_event_or_a_wire_error(line: bytes) -> None:
    try:
        event = wire.parse_event(line)
    except wire.WireError as error:
        assert "expected one JSON Event" in str(error)
    else:
        assert wire.parse_event(wire.render(event)) == event


SEGMENT = Segment("till", 10, (1,), "10.61.7.1/26", DhcpRange("10.61.7.10", "10.61.7.40", 3600), (Reach("hq"),), True)


def test_record_round_trip() -> None:
    assert from_json(Segment, to_json(SEGMENT)) == SEGMENT


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"vlan": "10"}, "vlan"),
        ({"vlan": True}, "vlan"),
        ({"isolated": 1}, "isolated"),
        ({"ports": [1, "2"]}, "ports[1]"),
        ({"dhcp": {"first": "a", "last": "b", "lease_s": 1.5}}, "dhcp.lease_s"),
        ({"extra": 1}, "extra"),
        ({"name": None}, "name"),
    ],
)
def test_a_wrong_shape_names_its_place(change: dict[str, object], where: str) -> None:
    with pytest.raises(RecordError) as caught:
        from_json(Segment, to_json(SEGMENT) | change)
    assert caught.value.path == where


def test_a_missing_key_is_named() -> None:
    value = to_json(SEGMENT)
    del value["dhcp"]["last"]
    with pytest.raises(RecordError, match=r"dhcp\.last: expected a value, saw 'nothing'"):
        from_json(Segment, value)
