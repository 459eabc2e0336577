"""The JSON encoding of YANG data (RFC 7951) and RESTCONF's words, as far as RFC 8572 needs them. Layer: shared, pure.

Not here: conveyed information (conveyed.py), errors and statuses of a server (management/restconf.py).
"""

from __future__ import annotations

import base64
import binascii
import re
from typing import Any, Final

MEDIA_TYPE: Final = "application/yang-data+json"  # RFC 8040 §11.3.2
DRAFT_MEDIA_TYPE: Final = "application/yang.data+json"  # as the examples of RFC 8572 §7.2 print it: read, never sent
SERVER_MODULE: Final = "ietf-sztp-bootstrap-server"  # RFC 8572 §7.3
INFO_MODULE: Final = "ietf-sztp-conveyed-info"  # RFC 8572 §6.3
GET_DATA: Final = f"{SERVER_MODULE}:get-bootstrapping-data"
REPORT: Final = f"{SERVER_MODULE}:report-progress"
INPUT: Final = f"{SERVER_MODULE}:input"
OUTPUT: Final = f"{SERVER_MODULE}:output"
EMPTY: Final[list[None]] = [None]  # RFC 7951 §6.9

PROGRESS_TYPES: Final = (  # RFC 8572 §7.3, in the module's order
    "bootstrap-initiated",
    "parsing-initiated",
    "parsing-warning",
    "parsing-error",
    "parsing-complete",
    "boot-image-initiated",
    "boot-image-warning",
    "boot-image-error",
    "boot-image-mismatch",
    "boot-image-installed-rebooting",
    "boot-image-complete",
    "pre-script-initiated",
    "pre-script-warning",
    "pre-script-error",
    "pre-script-complete",
    "config-initiated",
    "config-warning",
    "config-error",
    "config-complete",
    "post-script-initiated",
    "post-script-warning",
    "post-script-error",
    "post-script-complete",
    "bootstrap-warning",
    "bootstrap-error",
    "bootstrap-complete",
    "informational",
)
_HEX_STRING = re.compile(r"([0-9a-fA-F]{2}(:[0-9a-fA-F]{2})*)?")  # yang:hex-string, RFC 6991 §3


class YangError(ValueError):
    """A value does not have its YANG type. `path` is where; `tag` the RFC 8040 §7 error-tag that says so."""

    def __init__(self, path: str, expected: str, seen: object, tag: str = "invalid-value") -> None:
        self.path, self.tag = path, tag
        super().__init__(f"{path}: expected {expected}, saw {seen!r:.80}")


def encode_binary(value: bytes) -> str:
    """Return a YANG binary: base64 without line ends (RFC 7951 §6.6)."""
    return base64.b64encode(value).decode("ascii")


def decode_binary(path: str, value: object) -> bytes:
    """Read a YANG binary. Raises: YangError."""
    if isinstance(value, str):
        try:
            return base64.b64decode(value, validate=True)
        except (binascii.Error, ValueError):
            pass
    raise YangError(path, "base64 (RFC 7951 §6.6)", value)


def encode_hex(value: bytes) -> str:
    """Return a yang:hex-string in canonical lower case."""
    return value.hex(":")


def decode_hex(path: str, value: object) -> bytes:
    """Read a yang:hex-string. Raises: YangError."""
    if not isinstance(value, str) or not _HEX_STRING.fullmatch(value):
        raise YangError(path, "colon-separated hex (yang:hex-string)", value)
    return bytes.fromhex(value.replace(":", ""))


def check_string(path: str, value: object) -> str:
    if not isinstance(value, str):
        raise YangError(path, "a string", value)
    return value


def check_members(path: str, value: object, known: tuple[str, ...]) -> dict[str, Any]:
    """Return `value` when it is an object with no member but `known` ones. Raises: YangError."""
    if not isinstance(value, dict):
        raise YangError(path, "an object", value, "malformed-message")
    for name in value:
        if name not in known:
            raise YangError(f"{path}/{name}", f"one of {', '.join(known)}", name, "unknown-element")
    return value


def strip_identity(value: str, module: str) -> str:
    """Return an identity's name without its module, which RFC 7951 §6.8 lets be there or not."""
    return value.removeprefix(f"{module}:")
