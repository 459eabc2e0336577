"""A run's trace sent to a collector, by OTLP over HTTP, in Protobuf. Layer: network; sends only where it was asked to.

Sources: "OTLP Specification", OTLP/HTTP (request, response, partial success); "OpenTelemetry Protocol Exporter" (the
variables OTEL_EXPORTER_OTLP_ENDPOINT, _HEADERS, _PROTOCOL, _CERTIFICATE, _CLIENT_CERTIFICATE and _CLIENT_KEY, and their
like for traces alone, which win; _TIMEOUT is not read, since some take it for seconds and some for milliseconds). One
attempt: whoever asked is there to ask again. Not here: what is in a trace (reports/otlp.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import unquote, urlsplit

import requests
from google.protobuf.message import DecodeError
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import (
    ExportTraceServiceRequest,
    ExportTraceServiceResponse,
)

from harness.errors import InputError, LabError, Problem
from harness.reports.escape import escape
from harness.reports.otlp import build_trace
from harness.story.model import Story

TIMEOUT_S = 10.0
"""To connect, and between two pieces of the answer: the specification's default."""
_PATH = "v1/traces"
_PROTOBUF = "application/x-protobuf"


def find_endpoint(to: str | None, environment: Mapping[str, str]) -> str | None:
    """Return the URL that traces go to: `to` as it is, else the environment's; None where nobody asked for sending.
    Raises: InputError where it is no HTTP URL, or holds what may be secret."""
    base = environment.get("OTEL_EXPORTER_OTLP_ENDPOINT")
    of_traces = environment.get("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT")
    found = to or of_traces or (f"{base.rstrip('/')}/{_PATH}" if base else None)
    if found and "?" not in found and "@" not in found and _is_http(found):
        return found
    if not found:
        return None
    expected = "an http:// or https:// URL without name, password or query (a token belongs in _HEADERS)"
    raise _refuse("--to or OTEL_EXPORTER_OTLP_ENDPOINT", expected, "another")


def send_trace(story: Story, endpoint: str, environment: Mapping[str, str]) -> None:
    """Send a run's trace. Raises: InputError for settings that cannot be used, or a run without wall-clock time;
    LabError where the collector does not take the trace whole."""
    body = ExportTraceServiceRequest(resource_spans=build_trace(story).resource_spans).SerializeToString()
    headers = {**_read_headers(environment), "content-type": _PROTOBUF}
    protocol = _choose(environment, "PROTOCOL") or "http/protobuf"
    if protocol != "http/protobuf":
        raise _refuse("OTEL_EXPORTER_OTLP_PROTOCOL", "http/protobuf", protocol)
    certificate, key = _choose(environment, "CLIENT_CERTIFICATE"), _choose(environment, "CLIENT_KEY")
    try:
        answer = requests.post(
            endpoint,
            data=body,
            headers=headers,
            timeout=TIMEOUT_S,
            verify=_choose(environment, "CERTIFICATE") or True,
            cert=(certificate, key) if certificate and key else certificate,
            allow_redirects=False,
        )
    except requests.RequestException as error:
        # urllib3 wraps what went wrong in words on retries, and there were none
        reason = getattr(next(iter(error.args), None), "reason", error)
        raise _complain(endpoint, f"{type(error).__name__}: {reason}") from error
    except OSError as error:  # a certificate's file that is not there
        raise _refuse("OTEL_EXPORTER_OTLP_CERTIFICATE", "files of certificates", str(error)) from error
    _check(endpoint, answer)


def _check(endpoint: str, answer: requests.Response) -> None:
    if answer.status_code != 200:  # OTLP/HTTP: what is taken, also in part, is answered by 200
        raise _complain(endpoint, f"{answer.status_code} {answer.reason}")
    try:
        partial = ExportTraceServiceResponse.FromString(answer.content).partial_success
    except DecodeError as error:
        raise _complain(endpoint, "200, but no answer of OTLP") from error
    if partial.rejected_spans:
        raise _complain(endpoint, f"{partial.rejected_spans} spans rejected: {partial.error_message}")


# ---------------------------------------------------------------- settings


def _choose(environment: Mapping[str, str], name: str) -> str | None:
    of_traces = environment.get(f"OTEL_EXPORTER_OTLP_TRACES_{name}")
    return of_traces or environment.get(f"OTEL_EXPORTER_OTLP_{name}") or None


def _read_headers(environment: Mapping[str, str]) -> dict[str, str]:
    """Return the headers that are set: ``key=value,key=value``, percent-encoded (W3C Baggage). A value may be a token,
    so no message tells it."""
    pairs = [p for p in (_choose(environment, "HEADERS") or "").split(",") if p.strip()]
    headers = {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        key, value = unquote(key).strip(), unquote(value).strip()
        if not equals or not key or not f"{key}{value}".isprintable() or not f"{key}{value}".isascii():
            raise _refuse("OTEL_EXPORTER_OTLP_HEADERS", "key=value, separated by commas", "something else")
        headers[key.lower()] = value
    return headers


def _is_http(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        return False


# ---------------------------------------------------------------- errors


def _refuse(key: str, expected: str, seen: str) -> InputError:
    return InputError((Problem("sending traces", 0, 0, key, f"expected {expected}, saw {escape(seen)}"),))


def _complain(endpoint: str, seen: str) -> LabError:
    return LabError(
        expected="a collector that takes traces by OTLP over HTTP",
        seen=escape(seen),
        where=f"sending the trace to {escape(endpoint)}",
        hint="see that it runs and listens there (usually port 4318, path /v1/traces), then ask again",
    )
