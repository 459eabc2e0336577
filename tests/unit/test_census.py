"""The census against packets built by scapy (IP, UDP, and real ESP by its SecurityAssociation)."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.all import ARP, ICMP, IP, TCP, UDP, Ether, IPv6, PcapWriter, Raw, fragment, raw  # type: ignore[attr-defined]
from scapy.layers.ipsec import ESP, SecurityAssociation

from emulators.common.census import CensusError, census, classify_natt

INSIDE = ["10.61.0.0/16", "10.60.0.0/24"]
ROUTER, GATEWAY = "198.18.0.10", "198.18.0.30"


class _Keep(io.BytesIO):
    def close(self) -> None:
        """Keep the bytes after the writer closed its file."""


def pcap(*packets, linktype: int = 1) -> bytes:
    held = _Keep()
    writer = PcapWriter(held, linktype=linktype, sync=True)
    writer.write_header(None)
    for packet in packets:
        writer.write(packet)
    return held.getvalue()


def ether(packet):
    return Ether(src="02:00:5e:00:53:01", dst="02:00:5e:00:53:02") / packet


def esp(inner_bytes: int, natt: bool, crypt: str = "AES-GCM", auth: str | None = None):
    """A tunnel-mode ESP packet around an inner IPv4 packet of `inner_bytes`."""
    key = bytes(range(36)) if crypt == "AES-GCM" else bytes(range(32))
    association = SecurityAssociation(
        ESP,
        spi=0xC0FFEE01,
        crypt_algo=crypt,
        crypt_key=key,
        auth_algo=auth,
        auth_key=bytes(32) if auth else None,
        tunnel_header=IP(src=ROUTER, dst=GATEWAY),
        nat_t_header=UDP(sport=4500, dport=4500) if natt else None,
    )
    inner = IP(src="10.61.1.20", dst="10.60.0.10") / ICMP() / Raw(bytes(inner_bytes - 28))
    return association.encrypt(IP(raw(inner)))


# Outer sizes by RFC 4303 section 2, RFC 4106 sections 3.1 and 6, RFC 4868 section 2.3, RFC 3948 section 2.1:
# outer = 20 + (8 with UDP) + 8 + IV + inner + padding + 2 + ICV.
@pytest.mark.parametrize(
    ("inner", "natt", "crypt", "auth", "outer"),
    [
        (84, False, "AES-GCM", None, 140),
        (84, True, "AES-GCM", None, 148),
        (84, True, "AES-CBC", "SHA2-256-128", 164),
        (1438, True, "AES-GCM", None, 1500),
        (1366, True, "AES-GCM", None, 1428),
        (1358, True, "AES-CBC", "SHA2-256-128", 1428),
    ],
)
def test_real_esp_is_counted_with_its_outer_size(inner, natt, crypt, auth, outer):
    result = census(pcap(ether(esp(inner, natt, crypt, auth))), INSIDE)
    assert result["esp_udp" if natt else "esp"] == 1
    assert result["esp_sizes"] == [[outer, 1]]
    assert result["esp_outer_max_bytes"] == outer
    assert result["clear"] == 0  # the inside addresses are within the encrypted part


def test_every_frame_falls_into_one_class():
    natt = IP(src=ROUTER, dst=GATEWAY) / UDP(sport=26466, dport=4500)
    frames = [
        ether(IP(src=ROUTER, dst=GATEWAY) / UDP(sport=500, dport=500) / Raw(bytes(28))),
        ether(natt / Raw(bytes(4) + b"\x11" * 28)),
        ether(natt / Raw(b"\xff")),
        ether(natt / Raw(b"\xc0\xff\xee\x01" + bytes(40))),
        ether(natt / Raw(b"\x01\x02")),
        ether(esp(84, natt=False)),
        ether(IP(src=ROUTER, dst="198.18.0.1") / UDP(sport=41000, dport=53) / Raw(b"q")),
        ether(IP(src="198.18.0.20", dst=ROUTER) / TCP(sport=443, dport=50000)),
        ether(IP(src=GATEWAY, dst=ROUTER) / ICMP(type=3, code=4)),
        ether(IPv6(src="2001:db8::1", dst="2001:db8::2") / UDP(sport=1, dport=2)),
        Ether(dst="ff:ff:ff:ff:ff:ff") / ARP(psrc=ROUTER, pdst=GATEWAY),
    ]
    result = census(pcap(*frames), INSIDE)
    assert {k: result[k] for k in ("packets", "ike", "esp_udp", "esp", "nat_keepalive", "clear")} == {
        "packets": 11, "ike": 2, "esp_udp": 1, "esp": 1, "nat_keepalive": 1, "clear": 0,
    }  # fmt: skip
    assert result["other"] == {
        "arp": 1, "icmp/3": 1, "tcp/443": 1, "udp/1": 1, "udp/4500/short": 1, "udp/53": 1,
    }  # fmt: skip


def test_a_branch_address_in_the_outer_header_is_seen_as_clear():
    leaked = [ether(IP(src="10.61.1.20", dst="10.60.0.10") / ICMP() / Raw(bytes(56))) for _ in range(7)]
    returning = ether(IP(src="198.18.0.1", dst="10.61.1.20") / TCP(sport=80, dport=50000))
    result = census(pcap(*leaked, returning, ether(esp(84, natt=True))), INSIDE)
    assert result["clear"] == 8
    assert len(result["clear_examples"]) == 5
    assert result["clear_examples"][0] == "10.61.1.20 > 10.60.0.10 icmp/8 84 bytes"
    assert result["esp_udp"] == 1


def test_fragments_are_counted_and_only_the_first_has_a_class():
    parts = fragment(IP(src=ROUTER, dst=GATEWAY) / UDP(sport=4500, dport=4500) / Raw(b"\x01" * 2000), fragsize=1400)
    assert len(parts) == 2
    result = census(pcap(*map(ether, parts)), INSIDE)
    assert (result["fragments"], result["esp_udp"], result["other"]) == (2, 1, {"fragment/17": 1})


def test_padding_of_short_frames_is_not_taken_for_payload():
    # IEEE 802.3 pads frames to 60 octets: a keepalive of one octet then has 17 more behind it
    frame = ether(IP(src=ROUTER, dst=GATEWAY) / UDP(sport=4500, dport=4500) / Raw(b"\xff"))
    assert census(pcap(raw(frame).ljust(60, b"\0")), INSIDE)["nat_keepalive"] == 1


def test_raw_ip_captures_are_read():
    assert census(pcap(IP(src=ROUTER, dst=GATEWAY) / ICMP(), linktype=101), [])["other"] == {"icmp/8": 1}


def test_a_record_cut_short_is_left_out():
    whole = pcap(ether(esp(84, natt=True)), ether(esp(84, natt=True)))
    for cut in (1, 40, 150, 163, 164, 170, 178):
        assert census(whole[:-cut], INSIDE)["packets"] in (0, 1)
    assert census(whole, INSIDE)["packets"] == 2


@pytest.mark.parametrize("junk", [b"", b"\0" * 40, b"not a capture at all, of any kind"])
def test_what_is_no_capture_is_said_to_be_none(junk):
    with pytest.raises(CensusError, match="expected a pcap file"):
        census(junk, [])


@given(st.lists(st.binary(max_size=80), max_size=20))
def test_any_frames_add_up(frames):
    result = census(pcap(*frames), ["0.0.0.0/1"])
    classes = sum(result[k] for k in ("ike", "esp_udp", "esp", "nat_keepalive")) + sum(result["other"].values())
    assert classes == result["packets"] == len(frames)
    assert sum(count for _, count in result["esp_sizes"]) == result["esp"] + result["esp_udp"]


@given(st.binary(min_size=2, max_size=200))
def test_natt_payloads_follow_rfc_3948(payload):
    expected = "short" if len(payload) < 4 else "ike" if not any(payload[:4]) else "esp_udp"
    assert classify_natt(payload) == expected
