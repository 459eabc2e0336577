"""RESTCONF as a bootstrap server speaks it (RFC 8040): answers, errors, media types, and what the RPCs take in.

Layer: stand-in, pure. Statuses follow RFC 8040 §7's table. That an unknown device gets 404 invalid-value, one without
a certificate 401 access-denied and one that may not 403 access-denied is our choice inside that table: RFC 8572 names
none. Not here: who may what (machine.py).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from emulators.common.yang_json import (
    DRAFT_MEDIA_TYPE,
    EMPTY,
    GET_DATA,
    INPUT,
    MEDIA_TYPE,
    PROGRESS_TYPES,
    REPORT,
    YangError,
    check_members,
    check_string,
    decode_binary,
)

ROOT: Final = "/restconf"
OPERATIONS: Final = f"{ROOT}/operations"
HOST_META: Final = "/.well-known/host-meta"  # RFC 8040 §3.1, RFC 6415
YANG_LIBRARY: Final = "2016-06-21"  # RFC 8040 §3.3.3
MAX_BODY_BYTES: Final = 256 * 1024  # our choice: a progress report with host keys and trust anchors is far below it

ErrorType = Literal["transport", "rpc", "protocol", "application"]


@dataclass(frozen=True, slots=True)
class Request:
    """One HTTP request. Header names are lower case. `certificate_der`: of the TLS client, chain checked, or None."""

    method: str
    path: str
    headers: Mapping[str, str]
    body: bytes
    certificate_der: bytes | None


@dataclass(frozen=True, slots=True)
class Response:
    status: int
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""
    error_tag: str | None = None


class RestconfError(Exception):
    """A request is answered with an error."""

    def __init__(self, status: int, tag: str, message: str, kind: ErrorType = "application") -> None:
        self.status, self.tag, self.message, self.kind = status, tag, message, kind
        super().__init__(f"{status} {tag}: {message}")


def render_error(error: RestconfError, headers: Mapping[str, str] | None = None) -> Response:
    """Return the error body of RFC 8040 §7.1."""
    entry = {"error-type": error.kind, "error-tag": error.tag, "error-message": error.message}
    body = json.dumps({"ietf-restconf:errors": {"error": [entry]}}).encode()
    return Response(error.status, {"Content-Type": MEDIA_TYPE, **(headers or {})}, body, error.tag)


def render_json(value: Any) -> Response:
    return Response(200, {"Content-Type": MEDIA_TYPE, "Cache-Control": "no-cache"}, json.dumps(value).encode())


def render_host_meta() -> Response:
    """Return the link to the root resource (RFC 8040 §3.1)."""
    text = f"<XRD xmlns='http://docs.oasis-open.org/ns/xri/xrd-1.0'>\n  <Link rel='restconf' href='{ROOT}'/>\n</XRD>\n"
    return Response(200, {"Content-Type": "application/xrd+xml"}, text.encode())


def render_root(path: str) -> Response | None:
    """Return the API resource or one of its children (RFC 8040 §3.3); None where there is no such resource."""
    operations = {GET_DATA: EMPTY, REPORT: EMPTY}  # RFC 8040 §3.3.2: leafs of type empty
    known: dict[str, Any] = {
        ROOT: {"ietf-restconf:restconf": {"data": {}, "operations": operations, "yang-library-version": YANG_LIBRARY}},
        OPERATIONS: {"ietf-restconf:operations": operations},
        f"{ROOT}/yang-library-version": {"ietf-restconf:yang-library-version": YANG_LIBRARY},
    }
    return render_json(known[path]) if path in known else None


def check_media_types(headers: Mapping[str, str], has_body: bool) -> bool:
    """Check that the request can be read and the answer taken. Returns whether it used the pre-standard name.

    Raises: RestconfError (406, 415: RFC 8040 §5.2).
    """
    accepted = [item.split(";")[0].strip().lower() for item in headers.get("accept", "*/*").split(",")]
    if not {"*/*", "application/*", MEDIA_TYPE, DRAFT_MEDIA_TYPE} & set(accepted):
        seen = headers.get("accept", "")
        raise RestconfError(406, "invalid-value", f"this server sends {MEDIA_TYPE}, Accept is {seen}", "protocol")
    sent = headers.get("content-type", "").split(";")[0].strip().lower()
    if has_body and sent not in (MEDIA_TYPE, DRAFT_MEDIA_TYPE):
        # RFC 8040 §7 has no row for 415: the tag is our choice
        raise RestconfError(415, "operation-not-supported", f"expected {MEDIA_TYPE}, saw {sent or 'none'}", "protocol")
    return DRAFT_MEDIA_TYPE in (sent, *accepted)


def parse_input(body: bytes) -> dict[str, Any]:
    """Return the members of an RPC's input; an empty body is no input (RFC 8040 §3.6.1). Raises: YangError."""
    if not body:
        return {}
    try:
        value = json.loads(body.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise YangError("(body)", f"JSON in UTF-8 ({error})", body[:40], "malformed-message") from error
    inside = check_members("(body)", value, (INPUT,)).get(INPUT, {})
    if not isinstance(inside, dict):
        raise YangError(INPUT, "an object", inside, "malformed-message")
    return inside


def check_data_request(members: Mapping[str, Any]) -> None:
    """Check the input of get-bootstrapping-data (RFC 8572 §7.3). Raises: YangError."""
    check_members(INPUT, members, ("signed-data-preferred", "hw-model", "os-name", "os-version", "nonce"))
    for name in ("hw-model", "os-name", "os-version"):
        if name in members:
            check_string(name, members[name])
    if "signed-data-preferred" in members and members["signed-data-preferred"] != EMPTY:
        raise YangError("signed-data-preferred", "[null] (RFC 7951 §6.9)", members["signed-data-preferred"])
    if "nonce" in members and not 16 <= len(decode_binary("nonce", members["nonce"])) <= 32:
        raise YangError("nonce", "16..32 octets", members["nonce"])


def check_report(members: Mapping[str, Any]) -> None:
    """Check the input of report-progress (RFC 8572 §7.3). Raises: YangError."""
    check_members(INPUT, members, ("progress-type", "message", "ssh-host-keys", "trust-anchor-certs"))
    if "progress-type" not in members:
        raise YangError("progress-type", "a value (mandatory true)", None, "missing-element")  # RFC 6241 app. A
    if members["progress-type"] not in PROGRESS_TYPES:
        raise YangError("progress-type", f"one of {', '.join(PROGRESS_TYPES)}", members["progress-type"])
    if "message" in members:
        check_string("message", members["message"])
    for name, entry, keys in (
        ("ssh-host-keys", "ssh-host-key", ("algorithm", "key-data")),
        ("trust-anchor-certs", "trust-anchor-cert", ()),
    ):
        if name not in members:
            continue
        if members["progress-type"] != "bootstrap-complete":
            raise YangError(name, "bootstrap-complete (its when)", members["progress-type"], "bad-element")
        _check_entries(name, check_members(name, members[name], (entry,)).get(entry, []), keys)


def _check_entries(name: str, entries: object, keys: tuple[str, ...]) -> None:
    if not isinstance(entries, list):
        raise YangError(name, "a list", entries)
    for entry in entries:
        if not keys:
            decode_binary(name, entry)
            continue
        members = check_members(name, entry, keys)
        check_string(f"{name}/algorithm", members.get("algorithm"))
        decode_binary(f"{name}/key-data", members.get("key-data"))
