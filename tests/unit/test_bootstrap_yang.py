"""Our readers of RFC 8572's messages agree with the published YANG modules on what is valid."""

from __future__ import annotations

import base64
import subprocess

import pytest
import yang_models
from yangson.exceptions import YangsonException

from emulators.common.conveyed import (
    BootImage,
    ConveyedError,
    Onboarding,
    Redirect,
    RedirectServer,
    parse,
    render_onboarding,
    render_redirect,
    unwrap,
    wrap,
)
from emulators.common.yang_json import PROGRESS_TYPES, YangError
from emulators.management.restconf import check_data_request, check_report

KEYS = {"ssh-host-keys": {"ssh-host-key": [{"algorithm": "ssh-ed25519", "key-data": "AAAA"}]}}
REPORTS = [
    *({"progress-type": kind, "message": "text"} for kind in PROGRESS_TYPES),
    {"progress-type": "bootstrap-complete", **KEYS},
    {"progress-type": "config-complete", **KEYS},
    {"progress-type": "bootstrap-complete", "ssh-host-keys": {"ssh-host-key": [{"algorithm": "x", "key-data": "?"}]}},
    {"progress-type": "bootstrap-done"},
    {"progress-type": 3},
    {"message": "no type"},
    {"progress-type": "informational", "message": 7},
    {"progress-type": "informational", "mesage": "x"},
]
DATA_REQUESTS = [
    {},
    {"signed-data-preferred": [None]},
    {"signed-data-preferred": True},
    {"signed-data-preferred": None},
    {"hw-model": "m", "os-name": "o", "os-version": "1"},
    {"os-name": 1},
    {"serial": "x"},
    {"nonce": base64.b64encode(bytes(16)).decode()},
    {"nonce": base64.b64encode(bytes(32)).decode()},
    {"nonce": base64.b64encode(bytes(15)).decode()},
    {"nonce": base64.b64encode(bytes(33)).decode()},
]


def agrees(ours: object, theirs: object) -> bool:
    return (ours is None) == (theirs is None)


def find_error(check: object, *args: object) -> Exception | None:
    try:
        check(*args)  # type: ignore[operator]
    except (YangsonException, YangError, ConveyedError) as error:
        return error
    return None


@pytest.mark.parametrize("members", REPORTS, ids=str)
def test_reports(members: dict[str, object]) -> None:
    theirs = find_error(yang_models.check_rpc, "report-progress", "input", members)
    assert agrees(find_error(check_report, members), theirs), theirs


@pytest.mark.parametrize("members", DATA_REQUESTS, ids=str)
def test_data_requests(members: dict[str, object]) -> None:
    theirs = find_error(yang_models.check_rpc, "get-bootstrapping-data", "input", members)
    assert agrees(find_error(check_data_request, members), theirs), theirs


def test_the_27_progress_types_are_the_module_s() -> None:
    text = (yang_models.PUBLISHED / "ietf-sztp-bootstrap-server@2019-04-30.yang").read_text()
    rpc = text[text.index("rpc report-progress") :]
    assert tuple(line.split()[1] for line in rpc.splitlines() if line.split()[:1] == ["enum"]) == PROGRESS_TYPES
    assert len(PROGRESS_TYPES) == 27


CHECK = b'"image-verification":[{"hash-algorithm":"%s","hash-value":"%s"}]'
IMAGE = b'{"boot-image":{"download-uri":["https://a.example/i"],' + CHECK + b"}}"
SHA = b":".join([b"aa"] * 32)
ONBOARDING = b'{"ietf-sztp-conveyed-info:onboarding-information":%s}'
REDIRECT = b'{"ietf-sztp-conveyed-info:redirect-information":%s}'
CONVEYED = [
    ONBOARDING % b"{}",
    ONBOARDING % b'{"configuration":"AA==","configuration-handling":"replace"}',
    ONBOARDING % b'{"configuration":"AA=="}',
    ONBOARDING % b'{"configuration-handling":"merge"}',
    ONBOARDING % b'{"configuration":"AA==","configuration-handling":"add"}',
    ONBOARDING % b'{"configuration":"A","configuration-handling":"merge"}',
    ONBOARDING % (IMAGE % (b"ietf-sztp-conveyed-info:sha-256", SHA)),
    ONBOARDING % (IMAGE % (b"sha-256", SHA)),
    ONBOARDING % (IMAGE % (b"sha-256", b"aabb")),
    ONBOARDING % b'{"boot-image":{"image-verification":[{"hash-algorithm":"sha-256","hash-value":"%s"}]}}' % SHA,
    ONBOARDING % b'{"surprise":1}',
    REDIRECT % b'{"bootstrap-server":[{"address":"a.example","port":8443}]}',
    REDIRECT % b'{"bootstrap-server":[{"address":"192.0.2.1"}]}',
    REDIRECT % b'{"bootstrap-server":[]}',
    REDIRECT % b'{"bootstrap-server":[{"port":443}]}',
    REDIRECT % b'{"bootstrap-server":[{"address":"a.example","port":65536}]}',
    REDIRECT % b'{"bootstrap-server":[{"address":"a..example"}]}',
    ONBOARDING % b'{"boot-image":{"os-name":"x","os-version":1}}',
]


@pytest.mark.parametrize("document", CONVEYED, ids=str)
def test_conveyed_information(document: bytes) -> None:
    theirs = find_error(yang_models.check_conveyed, document)
    ours = find_error(parse, document)
    assert agrees(ours, theirs), (ours, theirs)


def test_what_we_render_is_valid_and_comes_back() -> None:
    image = BootImage("bench-os", "2.0", ("https://a.example/i", "http://a.example/i"), bytes(range(32)))
    document = render_onboarding(image, b"{}")
    yang_models.check_conveyed(document)
    assert parse(unwrap(wrap(document))) == Onboarding(image, "replace", b"{}", None, None)
    servers = (RedirectServer("b.example", 8443, None),)
    yang_models.check_conveyed(render_redirect(servers))
    assert parse(render_redirect(servers)) == Redirect(servers)


def test_openssl_reads_the_wrapper() -> None:
    """RFC 8572 §3.1 and §10.3: a ContentInfo of id-ct-sztpConveyedInfoJSON. OpenSSL has no name for that number."""
    seen = subprocess.run(
        ["openssl", "asn1parse", "-inform", "DER"], input=wrap(b"{}"), capture_output=True, check=True
    )
    text = seen.stdout.decode()
    assert ":1.2.840.113549.1.9.16.1.43" in text
    assert "cont [ 0 ]" in text
    assert "OCTET STRING      :{}" in text


@pytest.mark.parametrize("document", [b"{}", b"[]", b"\xff", b"nonsense"])
def test_a_document_without_its_mandatory_choice_is_refused(document: bytes) -> None:
    """ietf-sztp-conveyed-info: choice information-type is mandatory (yangson 1.7.9 fails itself on an absent one)."""
    with pytest.raises(ConveyedError):
        parse(document)


@pytest.mark.parametrize("artifact", [b"", b"\x30\x00", b"{}", wrap(b"{}")[:-1], wrap(b"{}") + b"\x00"])
def test_a_broken_wrapper_is_refused(artifact: bytes) -> None:
    with pytest.raises(ConveyedError):
        unwrap(artifact)
