"""RFC 8572's conveyed information: what a bootstrap server gives a device, in its CMS wrapper. Layer: shared, pure.

The wrapper (§3.1) is a DER ContentInfo whose content is an OCTET STRING with the document. This bench writes the
unsigned JSON form and reads that and id-data. Signed and encrypted forms are named, then refused: a device that trusts
its server by TLS needs neither (§5.3), and the bench has no ownership vouchers.

Law: a document that is not wholly understood is refused (§5.6: a device that cannot parse it must say parsing-error).
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Any, Final, Literal

from asn1crypto import cms, core, pem, x509

from emulators.common.yang_json import (
    INFO_MODULE,
    YangError,
    check_members,
    check_string,
    decode_binary,
    decode_hex,
    encode_binary,
    encode_hex,
    strip_identity,
)

# RFC 8572 §10.3 and RFC 5652
ID_CT_XML: Final = "1.2.840.113549.1.9.16.1.42"
ID_CT_JSON: Final = "1.2.840.113549.1.9.16.1.43"
ID_DATA: Final = "1.2.840.113549.1.7.1"
_REFUSED: Final = {
    ID_CT_XML: "XML (id-ct-sztpConveyedInfoXML)",
    "1.2.840.113549.1.7.2": "signed data (id-signedData)",
    "1.2.840.113549.1.7.3": "encrypted data (id-envelopedData)",
}
REDIRECT: Final = f"{INFO_MODULE}:redirect-information"
ONBOARDING: Final = f"{INFO_MODULE}:onboarding-information"
DEFAULT_PORT: Final = 443  # ietf-sztp-conveyed-info, leaf port
_LABEL = r"[A-Za-z0-9_](?:[A-Za-z0-9_-]{0,61}[A-Za-z0-9])?"
_HOST_NAME = re.compile(rf"(?=.{{1,253}}\Z)(?:{_LABEL}\.)*{_LABEL}\.?")  # RFC 6991 §4, domain-name, a little narrower


class ConveyedError(ValueError):
    """The conveyed information cannot be used. The text says what was expected and what was seen."""


@dataclass(frozen=True, slots=True)
class RedirectServer:
    """`trust_pem`: the chain that authenticates the server, root last or not; None: no anchor was given."""

    address: str
    port: int
    trust_pem: str | None


@dataclass(frozen=True, slots=True)
class BootImage:
    """`sha256`: None when the server gave no fingerprint (the image's own signature must do)."""

    os_name: str | None
    os_version: str | None
    download_uris: tuple[str, ...]
    sha256: bytes | None


@dataclass(frozen=True, slots=True)
class Onboarding:
    boot_image: BootImage | None
    handling: Literal["merge", "replace"] | None
    configuration: bytes | None
    pre_script: bytes | None
    post_script: bytes | None


@dataclass(frozen=True, slots=True)
class Redirect:
    servers: tuple[RedirectServer, ...]


class _ContentInfo(core.Sequence):  # type: ignore[misc]  # asn1crypto has no types
    """RFC 5652 §3. Not asn1crypto's own class: that one knows only the content types of its table."""

    _fields = [("content_type", core.ObjectIdentifier), ("content", core.Any, {"explicit": 0})]  # noqa: RUF012


class _OctetContentInfo(core.Sequence):  # type: ignore[misc]  # asn1crypto has no types
    """The same with an OCTET STRING inside, for writing."""

    _fields = [("content_type", core.ObjectIdentifier), ("content", core.OctetString, {"explicit": 0})]  # noqa: RUF012


def wrap(document: bytes) -> bytes:
    """Return the unsigned artifact (DER) that holds a JSON document."""
    return bytes(_OctetContentInfo({"content_type": ID_CT_JSON, "content": document}).dump())


def unwrap(artifact: bytes) -> bytes:
    """Return the JSON document of an unsigned artifact. Raises: ConveyedError."""
    try:
        info = _ContentInfo.load(artifact, strict=True)
        kind = str(info["content_type"].dotted)
        if kind in _REFUSED:
            raise ConveyedError(f"expected unsigned JSON, saw {_REFUSED[kind]}, which this device does not support")
        if kind not in (ID_CT_JSON, ID_DATA):
            raise ConveyedError(f"expected content type {ID_CT_JSON} or {ID_DATA}, saw {kind}")
        return bytes(info["content"].parse(core.OctetString).native)
    except ConveyedError:
        raise
    except (ValueError, TypeError, KeyError) as error:
        raise ConveyedError(f"expected a CMS ContentInfo with an OCTET STRING (RFC 8572 §3.1): {error}") from error


def render_onboarding(image: BootImage | None, configuration: bytes | None) -> bytes:
    """Return the onboarding-information document; the configuration replaces what the device has."""
    inside: dict[str, Any] = {}
    if image is not None:
        inside["boot-image"] = _render_image(image)
    if configuration is not None:
        inside["configuration-handling"] = "replace"
        inside["configuration"] = encode_binary(configuration)
    return json.dumps({ONBOARDING: inside}, separators=(",", ":")).encode()


def render_redirect(servers: tuple[RedirectServer, ...]) -> bytes:
    """Return the redirect-information document."""
    entries = []
    for server in servers:
        entry: dict[str, Any] = {"address": server.address, "port": server.port}
        if server.trust_pem is not None:
            entry["trust-anchor"] = encode_binary(build_trust_anchor(server.trust_pem))
        entries.append(entry)
    return json.dumps({REDIRECT: {"bootstrap-server": entries}}, separators=(",", ":")).encode()


def _render_image(image: BootImage) -> dict[str, Any]:
    rendered: dict[str, Any] = {}
    if image.os_name is not None:
        rendered["os-name"] = image.os_name
    if image.os_version is not None:
        rendered["os-version"] = image.os_version
    if image.download_uris:
        rendered["download-uri"] = list(image.download_uris)
    if image.sha256 is not None:
        check = {"hash-algorithm": f"{INFO_MODULE}:sha-256", "hash-value": encode_hex(image.sha256)}
        rendered["image-verification"] = [check]
    return rendered


def parse(document: bytes) -> Redirect | Onboarding:
    """Read a conveyed-information document. Raises: ConveyedError."""
    try:
        value = json.loads(document.decode("utf-8"))
        top = check_members("(top)", value, (REDIRECT, ONBOARDING))
        if len(top) != 1:
            raise ConveyedError(f"expected redirect-information or onboarding-information, saw {len(top)} members")
        if REDIRECT in top:
            return _parse_redirect(top[REDIRECT])
        return _parse_onboarding(top[ONBOARDING])
    except YangError as error:
        raise ConveyedError(str(error)) from error
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        if isinstance(error, ConveyedError):
            raise
        raise ConveyedError(f"expected a JSON document in UTF-8: {error}") from error


def _parse_redirect(value: object) -> Redirect:
    inside = check_members("redirect-information", value, ("bootstrap-server",))
    entries = inside.get("bootstrap-server")
    if not isinstance(entries, list) or not entries:
        raise YangError("redirect-information/bootstrap-server", "at least one entry", entries)
    return Redirect(tuple(_parse_server(entry) for entry in entries))


def _parse_server(value: object) -> RedirectServer:
    entry = check_members("bootstrap-server", value, ("address", "port", "trust-anchor"))
    address = check_string("bootstrap-server/address", entry.get("address"))
    if not _is_host(address):
        raise YangError("bootstrap-server/address", "an IP address or a host name (inet:host)", address)
    port = entry.get("port", DEFAULT_PORT)
    if not isinstance(port, int) or isinstance(port, bool) or not 0 <= port <= 65535:
        raise YangError("bootstrap-server/port", "0..65535 (inet:port-number)", port)
    anchor = entry.get("trust-anchor")
    trust = None if anchor is None else read_trust_anchor(decode_binary("bootstrap-server/trust-anchor", anchor))
    return RedirectServer(address, port, trust)


def _is_host(address: str) -> bool:
    try:
        ip_address(address)
    except ValueError:
        return _HOST_NAME.fullmatch(address) is not None
    return True


def _parse_onboarding(value: object) -> Onboarding:
    known = (
        "boot-image",
        "configuration-handling",
        "pre-configuration-script",
        "configuration",
        "post-configuration-script",
    )
    inside = check_members("onboarding-information", value, known)
    handling = inside.get("configuration-handling")
    if handling not in (None, "merge", "replace"):
        raise YangError("configuration-handling", "merge or replace", handling)
    if (handling is None) != ("configuration" not in inside):
        raise YangError("configuration", "configuration and configuration-handling together", sorted(inside))
    binaries = {name: decode_binary(name, inside[name]) for name in known[2:] if name in inside}
    image = _parse_image(inside["boot-image"]) if "boot-image" in inside else None
    return Onboarding(
        boot_image=image,
        handling=handling,
        configuration=binaries.get("configuration"),
        pre_script=binaries.get("pre-configuration-script"),
        post_script=binaries.get("post-configuration-script"),
    )


def _parse_image(value: object) -> BootImage:
    known = ("os-name", "os-version", "download-uri", "image-verification")
    inside = check_members("boot-image", value, known)
    uris = inside.get("download-uri", [])
    if not isinstance(uris, list) or not all(isinstance(uri, str) for uri in uris):
        raise YangError("boot-image/download-uri", "a list of URIs", uris)
    names = {key: check_string(f"boot-image/{key}", inside[key]) for key in known[:2] if key in inside}
    checks = inside.get("image-verification", [])
    if checks and not uris:
        raise YangError("boot-image/image-verification", "download-uri beside it", "none")
    return BootImage(names.get("os-name"), names.get("os-version"), tuple(uris), _find_sha256(checks))


def _find_sha256(checks: object) -> bytes | None:
    if not isinstance(checks, list):
        raise YangError("boot-image/image-verification", "a list", checks)
    found = None
    for check in checks:
        entry = check_members("image-verification", check, ("hash-algorithm", "hash-value"))
        algorithm = strip_identity(check_string("hash-algorithm", entry.get("hash-algorithm")), INFO_MODULE)
        digest = decode_hex("hash-value", entry.get("hash-value"))
        if algorithm != "sha-256":
            continue  # an identity of another module: a device uses those that it knows
        if len(digest) != 32 or found is not None:
            raise YangError("hash-value", "one SHA-256 of 32 octets", entry.get("hash-value"))
        found = digest
    return found


def build_trust_anchor(chain_pem: str) -> bytes:
    """Return the degenerate SignedData (RFC 5652 §5.2: certificates, no signer) that holds a PEM chain."""
    certificates = [x509.Certificate.load(der) for _, _, der in pem.unarmor(chain_pem.encode(), multiple=True)]
    signed = cms.SignedData(
        {
            "version": "v1",
            "digest_algorithms": [],
            "encap_content_info": {"content_type": "data"},
            "certificates": certificates,
            "signer_infos": [],
        }
    )
    return bytes(cms.ContentInfo({"content_type": "signed_data", "content": signed}).dump())


def read_trust_anchor(artifact: bytes) -> str:
    """Return the PEM chain of a degenerate SignedData. Raises: ConveyedError."""
    try:
        info = cms.ContentInfo.load(artifact, strict=True)
        if info["content_type"].native != "signed_data":
            raise ConveyedError(f"trust-anchor: expected signed-data, saw {info['content_type'].native}")
        chain = [item.chosen.dump() for item in info["content"]["certificates"]]
    except (ValueError, TypeError, KeyError) as error:
        if isinstance(error, ConveyedError):
            raise
        raise ConveyedError(f"trust-anchor: expected a CMS SignedData: {error}") from error
    if not chain:
        raise ConveyedError("trust-anchor: expected at least one certificate, saw none")
    return "".join(pem.armor("CERTIFICATE", der).decode() for der in chain)
