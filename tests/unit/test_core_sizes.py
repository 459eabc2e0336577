"""ESP sizes against the RFCs' arithmetic done by hand, and against packets that scapy really builds."""

from __future__ import annotations

import pytest

from harness.core.sizes import (
    IPV4_HEADER_BYTES,
    IPV6_HEADER_BYTES,
    SuiteError,
    find_largest_inner_bytes,
    find_largest_segment_bytes,
    find_outer_bytes,
    parse_suite,
)

GCM, CBC = parse_suite("aes256gcm16", None), parse_suite("aes128", "sha256")

# Worked from RFC 4303 section 2, RFC 4106 sections 3.1 and 6, RFC 3602, RFC 4868 section 2.3, RFC 3948 section 2.1:
# suite, in UDP, MTU, largest inner, outer at that, outer at one more, TCP MSS over IPv4.
ROWS = [
    ("gcm", False, 1500, 1446, 1500, 1504, 1406),
    ("gcm", False, 1428, 1374, 1428, 1432, 1334),
    ("gcm", False, 1358, 1302, 1356, 1360, 1262),
    ("gcm", True, 1500, 1438, 1500, 1504, 1398),
    ("gcm", True, 1428, 1366, 1428, 1432, 1326),
    ("gcm", True, 1358, 1294, 1356, 1360, 1254),
    ("cbc", False, 1500, 1438, 1500, 1516, 1398),
    ("cbc", False, 1428, 1358, 1420, 1436, 1318),
    ("cbc", False, 1358, 1294, 1356, 1372, 1254),
    ("cbc", True, 1500, 1422, 1492, 1508, 1382),
    ("cbc", True, 1428, 1358, 1428, 1444, 1318),
    ("cbc", True, 1358, 1278, 1348, 1364, 1238),
]
SUITES = {"gcm": GCM, "cbc": CBC}


@pytest.mark.parametrize(("suite", "in_udp", "mtu", "inner", "outer", "outer_more", "segment"), ROWS)
def test_largest_inner_packet(  # noqa: PLR0917 - the columns of a row
    suite: str, in_udp: bool, mtu: int, inner: int, outer: int, outer_more: int, segment: int
) -> None:
    assert find_largest_inner_bytes(mtu, SUITES[suite], in_udp=in_udp) == inner
    assert find_outer_bytes(inner, SUITES[suite], in_udp=in_udp) == outer <= mtu
    assert find_outer_bytes(inner + 1, SUITES[suite], in_udp=in_udp) == outer_more > mtu
    assert find_largest_segment_bytes(inner) == segment


@pytest.mark.parametrize(
    ("suite", "in_udp", "inner", "outer"),
    [
        ("gcm", False, 84, 140),
        ("gcm", True, 84, 148),
        ("cbc", False, 84, 156),
        ("cbc", True, 84, 164),
        ("gcm", False, 1280, 1336),
        ("gcm", True, 1280, 1344),
        ("cbc", False, 1280, 1356),
        ("cbc", True, 1280, 1364),
    ],
)
def test_outer_packet(suite: str, in_udp: bool, inner: int, outer: int) -> None:
    """By hand, as above: a plain ping (84) and IPv6's least MTU (1280, RFC 8200 section 5)."""
    assert find_outer_bytes(inner, SUITES[suite], in_udp=in_udp) == outer


@pytest.mark.parametrize(
    ("suite", "in_udp", "inner"),
    [("gcm", False, 1426), ("gcm", True, 1418), ("cbc", False, 1406), ("cbc", True, 1406)],
)
def test_ipv6_outside(suite: str, in_udp: bool, inner: int) -> None:
    largest = find_largest_inner_bytes(1500, SUITES[suite], in_udp=in_udp, outer_header_bytes=IPV6_HEADER_BYTES)
    assert largest == inner


@pytest.mark.parametrize("in_udp", [False, True])
@pytest.mark.parametrize("suite", ["gcm", "cbc"])
@pytest.mark.parametrize("inner", [28, 84, 85, 100, 576, 1278, 1280, 1294, 1295, 1358, 1366, 1367, 1438, 1446])
def test_scapy_builds_packets_of_that_size(suite: str, inner: int, in_udp: bool) -> None:
    """The reference is scapy's SecurityAssociation, which encrypts for real."""
    from scapy.layers.inet import ICMP, IP, UDP
    from scapy.layers.ipsec import ESP, SecurityAssociation
    from scapy.packet import Raw

    keys = {"gcm": ("AES-GCM", bytes(range(20)), None, None), "cbc": ("AES-CBC", bytes(16), "SHA2-256-128", bytes(32))}
    cipher, key, auth, auth_key = keys[suite]
    association = SecurityAssociation(
        ESP,
        spi=0x100,
        crypt_algo=cipher,
        crypt_key=key,
        auth_algo=auth,
        auth_key=auth_key,
        tunnel_header=IP(src="198.18.0.40", dst="198.18.0.30"),
        nat_t_header=UDP(sport=4500, dport=4500) if in_udp else None,
    )
    packet = IP(src="10.20.10.100", dst="10.200.0.10") / ICMP() / Raw(bytes(inner - IPV4_HEADER_BYTES - 8))
    assert len(packet) == inner
    assert len(association.encrypt(packet)) == find_outer_bytes(inner, SUITES[suite], in_udp=in_udp)


def test_suites() -> None:
    assert parse_suite("chacha20poly1305", None) == parse_suite("aes256gcm16", None)  # RFC 7634 section 2: 8 and 16
    assert parse_suite("aes256", "sha512").icv_bytes == 32  # RFC 4868 section 2.3
    assert parse_suite("aes256", "sha1").icv_bytes == 12  # RFC 2404
    for words in (("aes256", None), ("3des", "sha256"), ("", None), ("aes128", "md5")):
        with pytest.raises(SuiteError):
            parse_suite(*words)
