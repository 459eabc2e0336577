"""ESP sizes against the arithmetic of the RFCs, written out, and against real packets built by scapy.

Rows: RFC 4303 2 (header 8, trailer 2), RFC 4106 3.1 and 6 (IV 8, ICV 16, pad to 4), RFC 3602 2.1 and 2.4 (IV 16, pad to
16), RFC 4868 2.3 (ICV 16), RFC 3948 2.1 (UDP 8), outer IPv4 20. Longhand, GCM in UDP over 1500: 1500 - 20 - 8 - 8 - 8 -
16 = 1440, a multiple of 4, less 2 is 1438. CBC in UDP over 1428: 1428 - 20 - 8 - 8 - 16 - 16 = 1360 = 85 x 16: 1358.
"""

from __future__ import annotations

import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.common.esp_sizes import Suite, SuiteError, largest_inner, largest_segment, outer_size, parse_suite

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # scapy's own imports of what cryptography deprecates
    from scapy.layers.inet import IP, UDP
    from scapy.layers.ipsec import ESP, SecurityAssociation

GCM, CBC = "aes256gcm16", "aes256-sha256"
ROWS = [  # suite, in UDP, MTU, largest inner, outer at that, outer at one more, MSS
    (GCM, False, 1500, 1446, 1500, 1504, 1406),
    (GCM, False, 1428, 1374, 1428, 1432, 1334),
    (GCM, False, 1358, 1302, 1356, 1360, 1262),
    (GCM, True, 1500, 1438, 1500, 1504, 1398),
    (GCM, True, 1428, 1366, 1428, 1432, 1326),
    (GCM, True, 1358, 1294, 1356, 1360, 1254),
    (CBC, False, 1500, 1438, 1500, 1516, 1398),
    (CBC, False, 1428, 1358, 1420, 1436, 1318),
    (CBC, False, 1358, 1294, 1356, 1372, 1254),
    (CBC, True, 1500, 1422, 1492, 1508, 1382),
    (CBC, True, 1428, 1358, 1428, 1444, 1318),
    (CBC, True, 1358, 1278, 1348, 1364, 1238),
]


@pytest.mark.parametrize("row", ROWS)
def test_rows_of_the_rfcs(row):
    proposal, in_udp, mtu, inner, outer, outer_more, segment = row
    suite = parse_suite(proposal)
    assert largest_inner(mtu, suite, in_udp=in_udp) == inner
    assert outer_size(inner, suite, in_udp=in_udp) == outer
    assert outer_size(inner + 1, suite, in_udp=in_udp) == outer_more
    assert largest_segment(inner) == segment


@pytest.mark.parametrize("row", ROWS)
def test_real_packets_of_scapy(row):
    proposal, in_udp, mtu, inner, *_ = row
    for size in (84, inner, inner + 1):
        assert outer_size(size, parse_suite(proposal), in_udp=in_udp) == len(encrypt(proposal, in_udp, size))
    assert len(encrypt(proposal, in_udp, inner)) <= mtu < len(encrypt(proposal, in_udp, inner + 1))


def encrypt(proposal: str, in_udp: bool, inner_bytes: int) -> bytes:
    if proposal == GCM:
        algorithms = {"crypt_algo": "AES-GCM", "crypt_key": bytes(36)}
    else:
        algorithms = {"crypt_algo": "AES-CBC", "crypt_key": bytes(32)}
        algorithms |= {"auth_algo": "SHA2-256-128", "auth_key": bytes(32)}
    outer = IP(src="198.18.0.50", dst="198.18.0.30")
    nat = UDP(sport=4500, dport=4500) if in_udp else None
    sa = SecurityAssociation(ESP, spi=0x1234, tunnel_header=outer, nat_t_header=nat, **algorithms)
    packet = IP(src="10.20.10.1", dst="10.200.0.10", proto=253) / bytes(inner_bytes - 20)  # 253: RFC 3692, for trials
    return bytes(sa.encrypt(packet))


@given(st.integers(576, 9000), st.sampled_from([GCM, CBC, "aes128-sha1", "aes256-sha512"]), st.booleans())
def test_largest_is_the_largest(mtu, proposal, in_udp):
    suite = parse_suite(proposal)
    inner = largest_inner(mtu, suite, in_udp=in_udp)
    assert outer_size(inner, suite, in_udp=in_udp) <= mtu < outer_size(inner + 1, suite, in_udp=in_udp)


def test_suites_by_their_words():
    assert parse_suite("aes128gcm16-ecp256") == Suite(8, 16, 4)
    assert parse_suite("aes128gcm128") == Suite(8, 16, 4)  # the same in bits, as strongSwan also takes it
    assert parse_suite("aes256-sha384-modp2048") == Suite(16, 24, 16)  # RFC 4868 2.3: HMAC-SHA-384-192
    assert parse_suite("chacha20poly1305") == Suite(8, 16, 4)  # RFC 7634 2
    for wrong in ("aes256", "3des-sha256", "", "aes256-md5", "null-sha256"):
        with pytest.raises(SuiteError):
            parse_suite(wrong)
