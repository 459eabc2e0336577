"""The bench's packet finders, on captures made and written by scapy (a packet library of its own)."""

from __future__ import annotations

from pathlib import Path

import pytest
from scapy.all import DNS, DNSRR, ICMP, IP, TCP, UDP, Ether, Raw, wrpcap

from tests.bench import wire_events

SERVER, CLIENT = "198.18.0.20", "198.18.0.10"


@pytest.fixture
def read(tmp_path):
    def write(*packets) -> list[wire_events.Packet]:
        path = Path(tmp_path) / "made.pcap"
        for number, packet in enumerate(packets):
            packet.time = 1000 + number
        wrpcap(str(path), list(packets))
        return list(wire_events.read_packets(path.read_bytes()))

    return write


def ether(source: str, destination: str):
    return Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02") / IP(src=source, dst=destination)


def sent(number: int, content: bytes, port: int = 40000):
    return ether(SERVER, CLIENT) / TCP(sport=443, dport=port, seq=number, flags="PA") / Raw(content)


def record(size: int) -> bytes:
    return b"\x17\x03\x03" + size.to_bytes(2, "big") + bytes(size)


def ike(exchange: int, flags: int) -> bytes:
    """RFC 7296 section 3.1: SPIs, next payload, version, exchange type, flags, message id, length."""
    return b"\x01" * 16 + bytes([0, 0x20, exchange, flags]) + bytes(4) + (28).to_bytes(4, "big")


def test_the_ike_auth_response_is_told_from_its_request_and_from_esp(read):
    packets = read(
        ether(CLIENT, SERVER) / UDP(sport=4500, dport=4500) / Raw(bytes(4) + ike(35, 0x08)),
        ether(SERVER, CLIENT) / UDP(sport=4500, dport=4500) / Raw(b"\0\0\0\1" + ike(35, 0x20)),
        ether(SERVER, CLIENT) / UDP(sport=500, dport=500) / Raw(ike(34, 0x20)),
        ether(SERVER, CLIENT) / UDP(sport=4500, dport=4500) / Raw(bytes(4) + ike(35, 0x20)),
    )
    assert wire_events.find_auth_response(packets) == 1003 * 10**9


def test_an_echo_is_found_by_its_numbers(read):
    packets = read(
        ether("10.0.0.2", "10.0.0.9") / ICMP(type=8, id=7, seq=1),
        ether("10.0.0.2", "10.0.0.9") / ICMP(type=0, id=7, seq=2),
        ether("10.0.0.2", "10.0.0.9") / ICMP(type=8, id=7, seq=2),
    )
    assert wire_events.find_echo(packets, "10.0.0.2", 7, 2) == 1002 * 10**9
    assert wire_events.find_echo(packets, "10.0.0.3", 7, 2) is None


def test_a_name_s_answer_is_the_one_to_the_resolver(read):
    answer = DNS(qr=1, qd=[], an=DNSRR(rrname="Boot.Example.", rdata="198.18.0.20"))
    packets = read(
        ether("198.18.0.1", "198.18.0.99") / UDP(sport=53, dport=5) / answer,
        ether("198.18.0.1", CLIENT) / UDP(sport=53, dport=5) / answer,
    )
    assert wire_events.find_name_answer(packets, CLIENT, "boot.example") == 1001 * 10**9
    assert wire_events.find_name_answer(packets, CLIENT, "boot.test") is None


def test_the_first_packet_out_is_not_the_carrier_s_own_question(read):
    packets = read(
        ether(CLIENT, "198.18.0.1") / UDP(sport=9, dport=53) / Raw(b"question"),
        ether(CLIENT, "198.18.0.1") / UDP(sport=9, dport=123) / Raw(b"time"),
    )
    assert wire_events.find_first_out(packets, CLIENT, "198.18.0.1", 17) == 1001 * 10**9


def test_answers_without_a_body_are_counted_once_however_often_they_were_sent(read):
    talk = wire_events.ManagementTalk(
        read(
            sent(1, b""),  # an ACK has the number of what comes next
            sent(1, record(200) + record(200)),  # session tickets: two records
            sent(411, record(150)),  # the header of an answer with a body
            sent(566, b"\x17\x03\x03\x20\x00" + bytes(1300)),
            sent(2000, record(116)),
            sent(2000, record(116)),
            sent(2121, record(116)),
            sent(1, record(116), port=40001),
        ),
        SERVER,
    )
    assert talk.count == 3
    assert [talk.find_empty(n) for n in range(3)] == [1004 * 10**9, 1006 * 10**9, 1007 * 10**9]
    assert talk.find_head_before(0) == 1002 * 10**9
    assert talk.find_head_before(2) is None
