"""A run as an OpenTelemetry trace: one span for the run, below it one for each stage and check that was begun.

Layer: reports, pure. Sources: opentelemetry-proto 1.x (trace.proto); "OTLP Specification", JSON Protobuf Encoding;
"OpenTelemetry Protocol File Exporter" (one JSON object a line). A span's events are the observations that decided it,
and the claims that did not hold. What was never begun has no time, so no span: the run's span names it. Texts are
escaped, since a trace is shown where nobody knows what a control character does. Not here: sending (trace_sending.py).
"""

from __future__ import annotations

import json
from base64 import b64decode
from collections.abc import Iterable, Mapping, Sequence
from hashlib import sha256

from google.protobuf.json_format import MessageToDict
from opentelemetry.proto.common.v1.common_pb2 import AnyValue, ArrayValue, InstrumentationScope, KeyValue
from opentelemetry.proto.resource.v1.resource_pb2 import Resource
from opentelemetry.proto.trace.v1.trace_pb2 import ResourceSpans, ScopeSpans, Span, Status, TracesData

from harness.core.model import Finding, Outcome
from harness.core.timing import to_ns
from harness.errors import InputError, Problem
from harness.reports.escape import escape
from harness.story.model import CheckView, Event, StageView, Story

Value = str | bool | int | float | Sequence[str] | Sequence[int] | None
_NAMESPACE = "branchproof"
_STATUS = {"PASS": Status.STATUS_CODE_OK, "FAIL": Status.STATUS_CODE_ERROR}
_DECIDED = {"ship": Status.STATUS_CODE_OK, "do not ship": Status.STATUS_CODE_ERROR}
_IDS = ("traceId", "spanId", "parentSpanId")


def build_trace(story: Story) -> TracesData:
    """Return a run's trace. Its ids depend on the run's name and profile alone, so a run sent twice is one trace.
    Raises: InputError where nothing in the run tells what time it was by the wall clock."""
    code = _DECIDED.get(story.decision, Status.STATUS_CODE_UNSET)
    message = " ".join(story.why) if code == Status.STATUS_CODE_ERROR else ""
    root = _begin(story, "run", 0.0, story.ended_s, Status(code=code, message=escape(message)))
    root.ClearField("parent_span_id")
    root.attributes.extend(_describe(story))
    seen = {e.number: e for e in story.events if e.number is not None}
    spans = [_tell_stage(story, s, s.started_s, seen) for s in story.stages if s.started_s is not None]
    spans += [_tell_check(story, c, c.started_s, seen) for c in story.checks if c.started_s is not None]
    root.start_time_unix_nano = min(s.start_time_unix_nano for s in (root, *spans))
    root.end_time_unix_nano = max(s.end_time_unix_nano for s in (root, *spans))
    scope = ScopeSpans(scope=InstrumentationScope(name=_NAMESPACE), spans=[root, *spans])
    resource = Resource(attributes=_list({"service.name": _NAMESPACE, "service.instance.id": story.run}))
    return TracesData(resource_spans=[ResourceSpans(resource=resource, scope_spans=[scope])])


def render_otlp(story: Story) -> str:
    """Return a run's trace as a file of JSON lines, with one line. Raises: InputError, as `build_trace`."""
    told = MessageToDict(build_trace(story), use_integers_for_enums=True)
    for resource in told["resourceSpans"]:
        for span in (s for scope in resource["scopeSpans"] for s in scope["spans"]):
            # OTLP has ids in hexadecimal, where Protobuf's own JSON has octets in base64
            span.update({key: b64decode(span[key]).hex() for key in _IDS if key in span})
    return json.dumps(told, ensure_ascii=False, separators=(",", ":"), allow_nan=False) + "\n"


def _describe(story: Story) -> list[KeyValue]:
    steps: tuple[StageView | CheckView, ...] = (*story.stages, *story.checks)
    told: dict[str, Value] = {
        "name": story.run,
        "profile": story.profile,
        "profile_digest": story.facts.get("profile_digest"),
        "site": story.site,
        "pace": story.pace,
        "decision": story.decision,
        "proven": story.proven,
        "headline": story.headline,
        "not_begun": [step.name for step in steps if step.started_s is None],
        "unproven": [f"{u.title}: {u.why}" for u in story.unproven],
        "causes": [c.name for c in story.causes],
        "faults": [str(fault.get("text", "")) for fault in story.faults],
    }
    return _list({f"{_NAMESPACE}.run.{key}": value for key, value in told.items()})


def _tell_stage(story: Story, stage: StageView, started_s: float, seen: Mapping[int, Event]) -> Span:
    late_s = min(started_s + stage.budget_s, story.ended_s)
    until_s = late_s if stage.took_s is None else started_s + stage.took_s
    span = _begin(story, f"stage {stage.name}", started_s, until_s, _judge(stage.outcome, stage.findings))
    told: dict[str, Value] = {
        "name": stage.name,
        "title": stage.title,
        "outcome": stage.outcome,
        "state": stage.state,
        "witness": stage.witness,
        "budget_s": stage.budget_s,
        "took_s": stage.took_s,
        "summary": stage.summary,
        "evidence": stage.evidence,
    }
    span.attributes.extend(_list({f"{_NAMESPACE}.stage.{key}": value for key, value in told.items()}))
    _add_events(story, span, stage.evidence, stage.findings, seen)
    return span


def _tell_check(story: Story, check: CheckView, started_s: float, seen: Mapping[int, Event]) -> Span:
    until_s = story.ended_s if check.took_s is None else started_s + check.took_s
    span = _begin(story, f"check {check.name}", started_s, until_s, _judge(check.outcome, check.findings))
    evidence = sorted({number for finding in check.findings for number in finding.evidence})
    told: dict[str, Value] = {
        "name": check.name,
        "title": check.title,
        "outcome": check.outcome,
        "after": check.after,
        "took_s": check.took_s,
        "clauses": check.clauses,
        "evidence": evidence,
    }
    span.attributes.extend(_list({f"{_NAMESPACE}.check.{key}": value for key, value in told.items()}))
    _add_events(story, span, evidence, check.findings, seen)
    return span


def _judge(outcome: Outcome, findings: Iterable[Finding]) -> Status:
    """Return a span's status: what failed first describes an error; OTLP leaves the others without words."""
    failed = next((f for f in findings if f.outcome == "FAIL"), None)
    if outcome != "FAIL" or failed is None:
        return Status(code=_STATUS.get(outcome, Status.STATUS_CODE_UNSET))
    text = f"{failed.claim}: expected {failed.expected}, saw {failed.seen}"
    return Status(code=Status.STATUS_CODE_ERROR, message=escape(text))


def _begin(story: Story, name: str, since_s: float, until_s: float, status: Status) -> Span:
    """Return a span below the run's."""
    return Span(
        trace_id=_digest(story, "", 16),
        span_id=_digest(story, name, 8),
        parent_span_id=_digest(story, "run", 8),
        name=name,
        kind=Span.SPAN_KIND_INTERNAL,
        start_time_unix_nano=_place(story, since_s),
        end_time_unix_nano=_place(story, max(since_s, until_s)),
        status=status,
    )


def _add_events(
    story: Story, span: Span, numbers: Iterable[int], findings: Iterable[Finding], seen: Mapping[int, Event]
) -> None:
    events = []
    for event in (seen[number] for number in numbers if number in seen):
        told: dict[str, Value] = {
            "number": event.number,
            "node": event.node,
            "text": event.text,
            "pointer": event.pointer,
        }
        attributes = _list({f"{_NAMESPACE}.observation.{key}": value for key, value in told.items()})
        events.append(Span.Event(time_unix_nano=_place(story, event.at_s), name="observation", attributes=attributes))
    for finding in (f for f in findings if f.outcome in ("FAIL", "INCONCLUSIVE")):
        told = {"outcome": finding.outcome, "claim": finding.claim, "expected": finding.expected, "seen": finding.seen}
        attributes = _list({f"{_NAMESPACE}.finding.{key}": value for key, value in told.items()})
        events.append(Span.Event(time_unix_nano=span.end_time_unix_nano, name="finding", attributes=attributes))
    span.events.extend(sorted(events, key=lambda e: e.time_unix_nano))


def _place(story: Story, at_s: float) -> int:
    if story.zero_wall_ns is None:
        text = "expected a stand-in that tells what time it was, saw none: a trace needs wall-clock time"
        raise InputError((Problem(story.run, 0, 0, "", text),))
    return story.zero_wall_ns + to_ns(at_s)


def _digest(story: Story, name: str, size: int) -> bytes:
    text = "\0".join((_NAMESPACE, story.run, str(story.facts.get("profile_digest", "")), name))
    return sha256(text.encode("utf-8", "surrogatepass")).digest()[:size]


def _list(told: Mapping[str, Value]) -> list[KeyValue]:
    """Return attributes. What is not known is left out."""
    return [KeyValue(key=key, value=_wrap(value)) for key, value in told.items() if value is not None]


def _wrap(value: str | bool | float | Sequence[str] | Sequence[int]) -> AnyValue:
    match value:
        case str():
            return AnyValue(string_value=escape(value))
        case bool():
            return AnyValue(bool_value=value)
        case int():
            return AnyValue(int_value=value)
        case float():
            return AnyValue(double_value=value)
        case _:
            return AnyValue(array_value=ArrayValue(values=[_wrap(v) for v in value]))
