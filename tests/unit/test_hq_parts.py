"""Headquarters' pure parts. Syslog messages are the examples of RFC 5424 6.5. charon's log lines were taken from its
release 5.9.8 at work; its events are in the form of its VICI documentation (libcharon/plugins/vici/README.md)."""

from __future__ import annotations

import hashlib
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.common.swanctl import name_esp, name_ike
from emulators.hq.echo_witness import Echo, parse_echo
from emulators.hq.endpoint import parse_path
from emulators.hq.octets import BLOCK_BYTES, digest_octets, split_octets
from emulators.hq.refusal import find_refusal
from emulators.hq.syslog_message import SyslogError, parse_message, split_stream
from emulators.hq.tunnel import describe_event

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from scapy.layers.inet import ICMP, IP

EXAMPLE_1 = (
    b"<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - "
    b"\xef\xbb\xbf'su root' failed for lonvick on /dev/pts/8"
)
EXAMPLE_2 = b"<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts."
EXAMPLE_3 = (
    b"<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 "
    b'[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"] '
    b"\xef\xbb\xbfAn application event log entry..."
)
EXAMPLE_4 = (
    b"<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 "
    b'[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"][examplePriority@32473 class="high"]'
)


def test_examples_of_rfc_5424():
    first = parse_message(EXAMPLE_1)
    assert (first.facility, first.severity, first.hostname, first.app, first.msgid) == (
        "auth", "crit", "mymachine.example.com", "su", "ID47",
    )  # fmt: skip
    assert first.text == "'su root' failed for lonvick on /dev/pts/8"
    second = parse_message(EXAMPLE_2)
    assert (second.facility, second.severity, second.procid) == ("local4", "notice", "8710")
    assert parse_message(EXAMPLE_3).text == "An application event log entry..."
    fourth = parse_message(EXAMPLE_4)
    assert (fourth.text, fourth.structured.count("[")) == ("", 2)


@pytest.mark.parametrize(
    "wrong",
    [
        EXAMPLE_2.replace(b".000003", b".000000003"),  # RFC 5424 6.2.3.1, example 5: too fine
        EXAMPLE_1.replace(b"<34>", b"<192>"),  # 6.2.1: at most 191
        EXAMPLE_1.replace(b"<34>", b"<034>"),  # 6.2.1: no leading zeros
        b"<34>Oct 11 22:14:15 mymachine su: 'su root' failed",  # RFC 3164 form
        b"",
    ],
)
def test_what_is_no_rfc_5424_message(wrong):
    with pytest.raises(SyslogError):
        parse_message(wrong)


def test_stream_of_rfc_6587_in_any_pieces():
    counted = b"%d %s" % (len(EXAMPLE_1), EXAMPLE_1)
    stream = counted + EXAMPLE_2 + b"\n" + counted
    for cut in range(len(stream)):
        first, rest = split_stream(stream[:cut])
        second, left = split_stream(rest + stream[cut:])
        assert [*first, *second] == [EXAMPLE_1, EXAMPLE_2, EXAMPLE_1]
        assert not left


@given(st.binary(max_size=200))
def test_any_bytes_give_a_message_or_a_named_error(data):
    for read in (parse_message, split_stream):
        try:
            read(data)
        except SyslogError:
            continue


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("15[IKE] tried 1 shared key for 'hq.example' - 'a.example', but MAC mismatched", "wrong_psk"),
        ("09[IKE] received proposals unacceptable", "no_ike_proposal"),
        ("11[IKE] no acceptable proposal found", "no_esp_proposal"),
        ("11[IKE] traffic selectors 10.200.0.0/24 === 10.99.0.0/24 unacceptable", "traffic_selectors"),
        ("12[CFG] no matching peer config found", "unknown_peer"),
    ],
)
def test_refusals_in_charons_words(line, reason):
    found = find_refusal(line)
    assert found is not None
    assert found[0] == reason
    assert not found[1].startswith("[")


def test_lines_that_are_no_refusal():
    assert find_refusal("15[IKE] failed to establish CHILD_SA, keeping IKE_SA") is None
    assert find_refusal("09[CFG] selected proposal: IKE:AES_GCM_16_256/PRF_HMAC_SHA2_384/ECP_384") is None


SA = {"encr-alg": "AES_GCM_16", "encr-keysize": "256", "prf-alg": "PRF_HMAC_SHA2_384", "dh-group": "ECP_384"}
CHILD = {"encr-alg": "AES_CBC", "encr-keysize": "256", "integ-alg": "HMAC_SHA2_256_128", "encap": "yes"}


def test_suites_in_keyword_form():
    assert name_ike(SA) == "aes256gcm16-prfsha384-ecp384"
    cbc = {**CHILD, "prf-alg": "PRF_HMAC_SHA2_256", "dh-group": "MODP_2048"}
    assert name_ike(cbc) == "aes256-sha256-modp2048"
    assert name_esp(CHILD) == "aes256-sha256"
    assert name_esp({**SA, "prf-alg": "", "dh-group": ""}) == "aes256gcm16"


def test_events_of_charon():
    ike = {**SA, "local-id": "hq", "remote-id": "kiosk", "nat-any": "yes", "remote-host": "198.18.0.10"}
    up = dict(describe_event("ike-updown", {"up": "yes", "headquarters": ike}, "userspace"))
    assert up["sa.established"]["ike"] == "aes256gcm16-prfsha384-ecp384"
    assert up["sa.established"]["nat"] is True
    assert not list(describe_event("ike-updown", {"headquarters": ike}, "userspace"))
    child = {**CHILD, "local-ts": ["10.200.0.0/24"], "remote-ts": ["10.20.10.0/24"]}
    event = {"headquarters": {**ike, "child-sas": {"branch-1": child}}}
    ((kind, data),) = describe_event("child-updown", {"up": "yes", **event}, "kernel")
    assert (kind, data["esp"], data["encap"], data["means"]) == ("child.installed", "aes256-sha256", True, "kernel")
    assert [kind for kind, _ in describe_event("child-updown", event, "kernel")] == ["child.removed"]


def test_echo_of_scapy():
    packet = bytes(IP(src="10.20.10.100", dst="10.200.0.10") / ICMP(id=7, seq=3) / bytes(56))
    assert parse_echo(packet) == Echo("10.20.10.100", 7, 3, 84)
    assert parse_echo(bytes(IP() / ICMP(type=0))) is None
    assert parse_echo(bytes(IP(frag=10) / ICMP())) is None
    assert parse_echo(packet[:21]) is None


def test_octets_are_the_ones_asked_for():
    for count in (0, 1, BLOCK_BYTES, BLOCK_BYTES + 1):
        assert sum(map(len, split_octets(count))) == count
    block = hashlib.shake_128(b"branchproof").digest(BLOCK_BYTES)
    assert digest_octets(BLOCK_BYTES + 5) == hashlib.sha256(block + block[:5]).hexdigest()
    assert [parse_path(path) for path in ("/bytes/10", "/bytes/", "/bytes/-1", "/", "/bytes/99999999999")] == [
        10, None, None, None, None,
    ]  # fmt: skip
