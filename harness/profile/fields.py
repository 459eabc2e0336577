"""The kinds of text and number that profile and sites files are made of. Layer: profile, pure.

Each is a strict type with its check, and the pattern that an editor can test while typing. A check raises ValueError.
A secret is always a reference; what stands in its place instead is never echoed (load.py leaves out what was seen).
"""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import AfterValidator, Field
from pydantic.json_schema import WithJsonSchema

from harness.profile.identifiers import (
    LABEL,
    check_address,
    check_apn,
    check_host,
    check_host_label,
    check_iccid,
    check_imsi,
    check_mac,
    check_network,
    check_serial,
)

PLACEHOLDERS = ("site", "hostname")
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_SECRET = re.compile(r"env:[A-Za-z_][A-Za-z0-9_]*|file:[^\x00-\x1f]+")
_IDENTITY = re.compile(rf"(?:[A-Za-z0-9._+-]+@)?{LABEL}(?:\.{LABEL})*")
_ADDRESS_PATTERN = r"^\d{1,3}(\.\d{1,3}){3}$"

RESERVED_REACHES = ("hq", "internet")
RESERVED_NAMES = (*RESERVED_REACHES, "deny", "any")
"""What a segment may reach beside other segments."""


def fill(text: str, site: str, hostname: str) -> str:
    """Return the text with `{site}` and `{hostname}` filled in."""
    return text.replace("{site}", site).replace("{hostname}", hostname)


def _check_placeholders(text: str) -> None:
    for name in _PLACEHOLDER.findall(text):
        if name not in PLACEHOLDERS:
            raise ValueError(f"expected the placeholder {{site}} or {{hostname}}, saw {{{name}}}")


def check_secret(text: str) -> str:
    """Check a secret's reference. The message never shows the text: it may be the secret itself."""
    if not _SECRET.fullmatch(text):
        raise ValueError("expected where the secret is, env:NAME or file:PATH, never the secret itself")
    try:
        _check_placeholders(text)
    except ValueError:
        raise ValueError("expected no placeholders but {site} and {hostname} in a secret's reference") from None
    return text


def check_identity(text: str) -> str:
    """Check an IKEv2 identity: ID_FQDN or ID_RFC822_ADDR (RFC 7296 §3.5), with placeholders."""
    _check_placeholders(text)
    if not _IDENTITY.fullmatch(fill(text, "site", "hostname")):
        raise ValueError(f"expected a host name or user@host name (RFC 7296 §3.5), saw {text!r}")
    return text


def _check_name(text: str) -> str:
    if not re.fullmatch(r"[a-z][a-z0-9-]{0,31}", text):
        raise ValueError(f"expected 1 to 32 small letters, digits and hyphens, a letter first, saw {text!r}")
    return text


def _check_segment_name(text: str) -> str:
    if text in RESERVED_NAMES:
        raise ValueError(f"{text} already means something in reach or refused; choose another name")
    if not re.fullmatch(r"[a-z][a-z0-9]{0,9}", text):
        raise ValueError(f"expected 1 to 10 small letters and digits, a letter first, saw {text!r}")
    return text


def _check_release(text: str) -> str:
    if not re.fullmatch(r"[0-9A-Za-z][0-9A-Za-z.+-]{0,31}", text):
        raise ValueError(f"expected a release such as 2.4.0, of at most 32 characters, saw {text!r}")
    return text


def _check_service(text: str) -> str:
    match = re.fullmatch(r"any|icmp|(?:tcp|udp)/([1-9][0-9]{0,4})", text)
    if match is None or (match[1] and int(match[1]) > 65_535):
        raise ValueError(f"expected any, icmp, tcp/PORT or udp/PORT, saw {text!r}")
    return text


def _check_dns_name(text: str) -> str:
    check_host(text.removeprefix("."))
    return text


def check_url(text: str, schemes: tuple[str, ...]) -> str:
    """Check a URL of one of the schemes with a host name, an optional port and a path, and nothing else (RFC 3986)."""
    match = re.fullmatch(r"([a-z]+)://([^/:?#@]+)(?::([1-9][0-9]{0,4}))?(/[A-Za-z0-9._~/-]*)?", text)
    if match is None or match[1] not in schemes or (match[3] and int(match[3]) > 65_535):
        raise ValueError(f"expected {' or '.join(schemes)}://HOST[:PORT][/PATH], saw {text!r}")
    check_host(match[2])
    return text


def _text(check: Any, pattern: str, limit: int = 255) -> Any:
    """Return the annotations of a text type. The pattern is for editors; the check decides."""
    return AfterValidator(check), WithJsonSchema({"type": "string", "pattern": pattern, "maxLength": limit})


_NAME_PATTERN = r"^[a-z][a-z0-9-]{0,31}$"
Name = Annotated[str, *_text(_check_name, _NAME_PATTERN, 32)]
SegmentName = Annotated[str, *_text(_check_segment_name, r"^[a-z][a-z0-9]{0,9}$", 10)]
Release = Annotated[str, *_text(_check_release, r"^[0-9A-Za-z][0-9A-Za-z.+-]{0,31}$", 32)]
Apn = Annotated[str, *_text(check_apn, rf"^{LABEL}(\.{LABEL})*$", 99)]
Imsi = Annotated[str, *_text(check_imsi, r"^(001|999)[0-9]{3,12}$", 15)]
Iccid = Annotated[str, *_text(check_iccid, r"^89[0-9]{17,18}$", 20)]
Mac = Annotated[str, *_text(check_mac, r"^[0-9a-fA-F]{2}(:[0-9a-fA-F]{2}){5}$", 17)]
Serial = Annotated[str, *_text(check_serial, r"^[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?$", 64)]
HostLabel = Annotated[str, *_text(check_host_label, rf"^{LABEL}$", 63)]
Host = Annotated[str, *_text(check_host, rf"^{LABEL}(\.{LABEL})*$", 253)]
Address = Annotated[str, *_text(check_address, _ADDRESS_PATTERN, 15)]
Network = Annotated[str, *_text(check_network, r"^\d{1,3}(\.\d{1,3}){3}/\d{1,2}$", 18)]
Identity = Annotated[str, *_text(check_identity, r"^[A-Za-z0-9.@_+{}-]+$")]
Secret = Annotated[str, *_text(check_secret, r"^(env:[A-Za-z_][A-Za-z0-9_]*|file:.+)$", 4096)]
Proposal = Annotated[str, *_text(lambda text: text, r"^[a-z0-9]+(-[a-z0-9]+)*$")]

FormatOne = Annotated[int, Field(ge=1, le=1), WithJsonSchema({"type": "integer", "const": 1})]
"""A file's format. Not a Literal, to which ``true`` would be equal."""
Line = Annotated[str, Field(min_length=1, max_length=255, pattern=r"^[^\x00-\x1f\x7f]+$")]
Login = Annotated[str, Field(pattern=r"^[a-z_][a-z0-9_-]{0,31}$", max_length=32)]
"""A user name as Debian's useradd takes it."""
Seconds = Annotated[float, Field(gt=0, le=86_400, allow_inf_nan=False)]
Oid = Annotated[str, Field(pattern=r"^[012](\.(0|[1-9][0-9]{0,9})){1,127}$", max_length=512)]
"""An object identifier (ITU-T X.660) in dotted form."""
Place = Annotated[str, Field(max_length=32)]
"""A segment's name or a word that stands for a place; which are known is crosscheck.py's to say."""
Service = Annotated[str, *_text(_check_service, r"^(any|icmp|(tcp|udp)/[1-9][0-9]{0,4})$", 9)]
DnsName = Annotated[str, *_text(_check_dns_name, rf"^\.?{LABEL}(\.{LABEL})*$", 254)]
HttpsUrl = Annotated[str, *_text(lambda text: check_url(text, ("https",)), r"^https://.+$", 2048)]
WebhookUrl = Annotated[str, *_text(lambda text: check_url(text, ("http", "https")), r"^https?://.+$", 2048)]
TcpUdpPort = Annotated[int, Field(ge=1, le=65_535)]
