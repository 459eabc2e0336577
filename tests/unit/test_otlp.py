"""A run as a trace: what any reader of OTLP gets of it, its shape held against published examples."""

from __future__ import annotations

import json
import re
from base64 import b64encode
from dataclasses import replace
from typing import Any

import pytest
from google.protobuf.json_format import ParseDict
from opentelemetry.proto.trace.v1.trace_pb2 import Span, Status, TracesData

from harness.core.model import Finding
from harness.errors import InputError
from harness.reports.otlp import build_trace, render_otlp
from harness.story.model import CauseView, CheckView, Event, Reach, StageView, Story, Unproven

S = 1_000_000_000
WALL = 1_796_078_871 * S + 610_088_511
NASTY = "\x1b[2J\u202eevil\u2066 <script>alert(1)</script>\n\ud800"
SHOWN = "\\x1b[2J\\u202eevil\\u2066 <script>alert(1)</script>\\x0a\\ud800"

POWERED = StageView("powered", "Power", "console", "PASS", "reached", -0.25, 1.0, 30.0, "slot a", (), (0,))
TUNNEL = StageView(
    "tunnel_up", "Tunnel", "hq-gateway", "FAIL", "missed", 0.75, None, 10.0, "not reached",
    (Finding("tunnel_up", "FAIL", "HQ has the SA", "within 10 s", "sa.refused reason=wrong_psk", (2,)),), (2,),
)  # fmt: skip
BLOCKED = StageView(
    "hq_reached", "HQ", "hq-endpoint", "INCONCLUSIVE", "blocked", None, None, 10.0, "blocked by tunnel_up", (), ()
)
LEASES = CheckView(
    "lease_timers", "Leases", "online", "INCONCLUSIVE", 1.0, 2.5,
    (
        Finding("lease_timers", "PASS", "T1 of till", "1800 s", "1800 s", (3,)),
        Finding("lease_timers", "INCONCLUSIVE", "T1 of staff", "1800 s", "no answer", (4, 99)),
    ),
    ("PCI DSS 4.0.1 1.2.1",),
)  # fmt: skip
MATRIX = CheckView("matrix", "Reach", "hq_reached", "INCONCLUSIVE", None, None, (), ())
EVENTS = (
    Event(0.0, "device", "router", "log", "booting", "nodes/router.log:1", "powered", None, ""),
    Event(0.7, "device", "router", "event", "slot.started slot=a", "obs 0", "powered", 0, "powered"),
    Event(1.5, "internet", "internet", "dns", "name.answered", "obs 1, captures/internet-inet.pcap#1", "", 1, ""),
    Event(2.0, "hq", "hq-gateway", "ike", "sa.refused", "obs 2, captures/hq-gateway-inet.pcap#2", "", 2, "tunnel_up"),
    Event(2.5, "clients", "client1", "probe", "lease", "obs 3", "", 3, ""),
    Event(3.0, "clients", "client2", "probe", "lease", "obs 4", "", 4, ""),
)
STORY = Story(
    run="kiosk-20261130-abc", profile="kiosk", site="pier", pace="fast", decision="do not ship", proven=False,
    headline="NOT PROVEN kiosk / pier", why=("tunnel_up: not reached.", "Nothing else."),
    unproven=(Unproven("hq_reached", "A client reaches HQ", "INCONCLUSIVE", "blocked by tunnel_up"),),
    ended_s=20.0, stages=(POWERED, TUNNEL, BLOCKED), checks=(LEASES, MATRIX), lanes=(), events=EVENTS,
    observations=(), parts=(), reach=Reach((), (), ()), clauses=(), series=(), is_diagnosed=True,
    causes=(CauseView("wrong_psk", "Key", "The keys differ.", "", "", "", (("HQ refuses the key", (2,)),), ()),),
    faults=({"text": "wrong_psk"},), facts={"profile_digest": "1f" * 32}, notes=(), zero_wall_ns=WALL,
)  # fmt: skip


def list_spans(trace: TracesData) -> dict[str, Span]:
    (resource,) = trace.resource_spans
    (scope,) = resource.scope_spans
    assert resource.resource.attributes[0].value.string_value == scope.scope.name == "branchproof"
    return {span.name: span for span in scope.spans}


def unwrap(attributes: Any) -> dict[str, Any]:
    """Read attributes as a reader does: the field of the oneof that is set."""
    return {a.key: _unwrap(a.value) for a in attributes}


def _unwrap(value: Any) -> Any:
    kind = value.WhichOneof("value")
    return [_unwrap(v) for v in value.array_value.values] if kind == "array_value" else getattr(value, kind)


def parse(text: str) -> TracesData:
    """Read OTLP/JSON as its specification says: Protobuf's JSON, but for ids, which are hexadecimal."""

    def turn(item: Any) -> Any:
        if isinstance(item, list):
            return [turn(one) for one in item]
        if not isinstance(item, dict):
            return item
        ids = ("traceId", "spanId", "parentSpanId")
        return {k: b64encode(bytes.fromhex(v)).decode() if k in ids else turn(v) for k, v in item.items()}

    return ParseDict(turn(json.loads(text)), TracesData())


def test_spans_nest_and_stand_where_their_steps_stood() -> None:
    spans = list_spans(build_trace(STORY))
    root = spans.pop("run")
    assert set(spans) == {"stage powered", "stage tunnel_up", "check lease_timers"}
    assert not root.parent_span_id
    assert len(root.trace_id) == 16 and len({root.span_id, *(s.span_id for s in spans.values())}) == 4
    for span in spans.values():
        assert (span.trace_id, span.parent_span_id) == (root.trace_id, root.span_id)
        assert root.start_time_unix_nano <= span.start_time_unix_nano <= span.end_time_unix_nano
        assert span.end_time_unix_nano <= root.end_time_unix_nano
    assert root.start_time_unix_nano == WALL - S // 4 and root.end_time_unix_nano == WALL + 20 * S
    assert spans["stage powered"].end_time_unix_nano == WALL + 3 * S // 4
    assert spans["stage tunnel_up"].end_time_unix_nano == WALL + 43 * S // 4, "a missed stage ends with its budget"


def test_a_step_that_was_broken_off_ends_with_the_run() -> None:
    story = replace(STORY, ended_s=5.0, checks=(replace(LEASES, took_s=None),))
    spans = list_spans(build_trace(story))
    assert spans["stage tunnel_up"].end_time_unix_nano == WALL + 5 * S
    assert spans["check lease_timers"].end_time_unix_nano == WALL + 5 * S


def test_only_what_fails_is_an_error_and_says_why() -> None:
    spans = list_spans(build_trace(STORY))
    told = {name: (span.status.code, span.status.message) for name, span in spans.items()}
    failed = "HQ has the SA: expected within 10 s, saw sa.refused reason=wrong_psk"
    assert told == {
        "run": (Status.STATUS_CODE_ERROR, "tunnel_up: not reached. Nothing else."),
        "stage powered": (Status.STATUS_CODE_OK, ""),
        "stage tunnel_up": (Status.STATUS_CODE_ERROR, failed),
        "check lease_timers": (Status.STATUS_CODE_UNSET, ""),
    }


@pytest.mark.parametrize(
    ("decision", "code"), [("ship", Status.STATUS_CODE_OK), ("undecided", Status.STATUS_CODE_UNSET)]
)
def test_a_run_without_a_failure_is_no_error(decision: Any, code: int) -> None:
    status = list_spans(build_trace(replace(STORY, decision=decision)))["run"].status
    assert (status.code, status.message) == (code, "")


def test_attributes_and_events_tell_what_decided() -> None:
    spans = list_spans(build_trace(STORY))
    run = unwrap(spans["run"].attributes)
    assert run["branchproof.run.not_begun"] == ["hq_reached", "matrix"]
    assert run["branchproof.run.unproven"] == ["A client reaches HQ: blocked by tunnel_up"]
    assert run["branchproof.run.proven"] is False and run["branchproof.run.faults"] == ["wrong_psk"]
    assert run["branchproof.run.causes"] == ["wrong_psk"]
    stage = unwrap(spans["stage powered"].attributes)
    assert stage["branchproof.stage.took_s"] == 1.0 and stage["branchproof.stage.evidence"] == [0]
    assert "branchproof.stage.took_s" not in unwrap(spans["stage tunnel_up"].attributes), "it was never reached"
    seen, finding = spans["stage tunnel_up"].events
    assert seen.time_unix_nano == WALL + 2 * S
    assert unwrap(seen.attributes) == {
        "branchproof.observation.number": 2,
        "branchproof.observation.node": "hq-gateway",
        "branchproof.observation.text": "sa.refused",
        "branchproof.observation.pointer": "obs 2, captures/hq-gateway-inet.pcap#2",
    }
    assert unwrap(finding.attributes)["branchproof.finding.outcome"] == "FAIL"
    check = spans["check lease_timers"]
    assert unwrap(check.attributes)["branchproof.check.evidence"] == [3, 4, 99], "one that has no event stays named"
    assert [e.name for e in check.events] == ["observation", "observation", "finding"], "what holds is no finding here"


def test_a_run_told_twice_is_one_trace_and_another_run_is_another() -> None:
    first, again = build_trace(STORY), build_trace(replace(STORY, headline="told with other words"))
    other = build_trace(replace(STORY, run="kiosk-20261130-abd"))
    ids = [[(s.trace_id, s.span_id) for s in list_spans(trace).values()] for trace in (first, again, other)]
    assert ids[0] == ids[1] and not set(ids[0]) & set(ids[2])


def test_the_file_is_read_back_as_it_was_built() -> None:
    text = render_otlp(STORY)
    assert text.endswith("}\n") and text.count("\n") == 1, "JSON lines: one object, one line"
    assert parse(text) == build_trace(STORY)


PUBLISHED = json.loads(
    """{"resourceSpans":[{"resource":{"attributes":[{"key":"service.name","value":{"stringValue":"my.service"}}]},
    "scopeSpans":[{"scope":{"name":"my.library","version":"1.0.0","attributes":[{"key":"my.scope.attribute","value":
    {"stringValue":"some scope attribute"}}]},"spans":[{"traceId":"5B8EFFF798038103D269B633813FC60C",
    "spanId":"EEE19B7EC3C1B174","parentSpanId":"EEE19B7EC3C1B173","name":"I'm a server span",
    "startTimeUnixNano":"1544712660000000000","endTimeUnixNano":"1544712661000000000","kind":2,"attributes":[
    {"key":"my.span.attr","value":{"stringValue":"some value"}}]}]}]}]}"""
)
"""opentelemetry-proto, examples/trace.json (Apache-2.0). Below: of the JSON file serialization, "OpenTelemetry Protocol
File Exporter", Examples: status and events, which the first has not."""
PUBLISHED_MORE = json.loads(
    """{"events":[{"timeUnixNano":"1581452773000000123","name":"event-with-attr","attributes":[{"key":"span-event-attr",
    "value":{"stringValue":"span-event-attr-val"}}]}],"status":{"message":"status-cancelled","code":2}}"""
)


def walk(item: Any, path: str = "") -> dict[str, set[type]]:
    """Return each key's path, array places left out, with the types of its values."""
    found: dict[str, set[type]] = {}
    pairs = item.items() if isinstance(item, dict) else [("", one) for one in item]
    for key, value in pairs:
        place = f"{path}.{key}" if key else path
        found.setdefault(place, set()).add(type(value))
        if isinstance(value, dict | list):
            for inner, types in walk(value, place).items():
                found.setdefault(inner, set()).update(types)
    return found


def test_the_file_has_the_shape_of_the_published_examples() -> None:
    ours = json.loads(render_otlp(STORY))
    PUBLISHED["resourceSpans"][0]["scopeSpans"][0]["spans"][0].update(PUBLISHED_MORE)
    theirs, shape = walk(PUBLISHED), walk(ours)
    missing = {k for k in theirs if k not in shape}
    assert missing == {f".resourceSpans.scopeSpans.scope.{k}" for k in (
        "version", "attributes", "attributes.key", "attributes.value", "attributes.value.stringValue"
    )}, "of the scope's own attributes we have none"  # fmt: skip
    assert {k: shape[k] for k in theirs if k in shape} == {k: v for k, v in theirs.items() if k in shape}
    for span in ours["resourceSpans"][0]["scopeSpans"][0]["spans"]:
        assert re.fullmatch("[0-9a-f]{32}", span["traceId"]) and re.fullmatch("[0-9a-f]{16}", span["spanId"])
        assert span["kind"] == 1, "SPAN_KIND_INTERNAL, as a number"


def test_hostile_texts_are_written_out() -> None:
    hostile = replace(
        STORY,
        run=NASTY,
        headline=NASTY,
        why=(NASTY,),
        stages=(replace(TUNNEL, summary=NASTY, findings=(Finding("x", "FAIL", NASTY, NASTY, NASTY, (2,)),)),),
        events=(replace(EVENTS[3], text=NASTY, node=NASTY),),
    )
    spans = list_spans(parse(render_otlp(hostile)))
    assert unwrap(spans["run"].attributes)["branchproof.run.name"] == SHOWN
    assert spans["run"].status.message == SHOWN
    assert spans["stage tunnel_up"].status.message == f"{SHOWN}: expected {SHOWN}, saw {SHOWN}"
    seen, finding = spans["stage tunnel_up"].events
    assert unwrap(seen.attributes)["branchproof.observation.text"] == SHOWN
    assert unwrap(finding.attributes)["branchproof.finding.seen"] == SHOWN


def test_a_run_that_tells_no_time_is_refused() -> None:
    with pytest.raises(InputError, match="wall-clock"):
        build_trace(replace(STORY, zero_wall_ns=None))
