"""GTP-U against scapy's own dissector and builder (scapy.contrib.gtp, after TS 29.281), both ways."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.gtp import (
    GTP_U_Header,
    GTPEchoRequest,
    GTPEchoResponse,
    GTPErrorIndication,
    GTPPDUSessionContainer,
)
from scapy.layers.inet import ICMP, IP
from scapy.packet import Raw

from emulators.common import gtpu

INNER = bytes(IP(src="100.64.0.2", dst="198.18.0.1") / ICMP(id=7, seq=1) / Raw(b"x" * 56))


def test_scapy_reads_our_packet() -> None:
    seen = GTP_U_Header(gtpu.encode_header(0xABCDEF01, len(INNER)) + INNER)
    assert (seen.version, seen.PT, seen.E, seen.S, seen.PN) == (1, 1, 0, 0, 0)
    assert (seen.gtp_type, seen.length, seen.teid) == (255, len(INNER), 0xABCDEF01)
    assert bytes(seen[IP]) == INNER


def test_we_read_scapys_packet() -> None:
    seen = gtpu.decode(bytes(GTP_U_Header(teid=5) / IP(INNER)))
    assert (seen.type, seen.teid, seen.payload, seen.sequence) == (gtpu.G_PDU, 5, INNER, None)


def test_we_read_scapys_extension_header() -> None:
    packet = GTP_U_Header(teid=9, S=1, seq=77) / GTPPDUSessionContainer(type=0, QFI=3) / IP(INNER)
    seen = gtpu.decode(bytes(packet))
    assert (seen.teid, seen.sequence, seen.payload) == (9, 77, INNER)
    assert [kind for kind, _ in seen.extensions] == [0x85]  # PDU session container, clause 5.2.1


def test_scapy_reads_our_extension_header() -> None:
    ours = gtpu.encode(gtpu.Message(gtpu.G_PDU, 9, INNER, 77, ((0x85, bytes([0, 3])),)))
    seen = GTP_U_Header(ours)
    assert seen[GTPPDUSessionContainer].QFI == 3
    assert bytes(seen[IP]) == INNER


def test_echo() -> None:
    request = gtpu.decode(bytes(GTP_U_Header(S=1, seq=300, teid=0) / GTPEchoRequest()))
    assert request.type == gtpu.ECHO_REQUEST
    answer = GTP_U_Header(gtpu.build_echo_response(request))
    assert (answer.gtp_type, answer.teid, answer.seq) == (gtpu.ECHO_RESPONSE, 0, 300)
    assert answer[GTPEchoResponse].IE_list[0].ietype == gtpu.IE_RECOVERY


def test_error_indication() -> None:
    seen = GTP_U_Header(gtpu.build_error_indication(0x01020304, bytes([198, 18, 255, 1])))
    assert seen.gtp_type == gtpu.ERROR_INDICATION
    elements = {e.ietype: e for e in seen[GTPErrorIndication].IE_list}
    assert elements[gtpu.IE_TEID].TEIDI == 0x01020304
    assert elements[gtpu.IE_PEER_ADDRESS].ipv4_address == "198.18.255.1"


@given(st.binary(max_size=80))
def test_any_octets_give_a_message_or_a_named_error(datagram: bytes) -> None:
    try:
        gtpu.decode(datagram)
    except gtpu.GtpuError as error:
        assert str(error)


@given(
    st.integers(0, 0xFFFFFFFF),
    st.none() | st.integers(0, 0xFFFF),
    st.binary(max_size=64),
    st.lists(
        st.tuples(
            st.integers(1, 255), st.integers(0, 3).flatmap(lambda n: st.binary(min_size=4 * n + 2, max_size=4 * n + 2))
        ),
        max_size=3,
    ),
)
def test_round_trip(teid: int, sequence: int | None, payload: bytes, extensions: list[tuple[int, bytes]]) -> None:
    message = gtpu.Message(gtpu.G_PDU, teid, payload, sequence, tuple(extensions))
    assert gtpu.decode(gtpu.encode(message)) == message


@pytest.mark.parametrize("cut", range(1, 12))
def test_cut_datagram_is_an_error(cut: int) -> None:
    whole = gtpu.encode(gtpu.Message(gtpu.G_PDU, 1, b"abcd", 2))
    with pytest.raises(gtpu.GtpuError):
        gtpu.decode(whole[:-cut])
