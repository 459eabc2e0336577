"""The packets of tries, the tries themselves over the loopback, the matrix as rules, and what the checks weaken.

Sources: RFC 1071 (checksum; its section 3 has the numbers), RFC 791, 768, 792, 826, 9293; RFC 2827 and RFC 3704 for
sources; RFC 6890 for addresses that are nobody's.
"""

from __future__ import annotations

import dataclasses
import ipaddress
import json
import socket
import struct
import threading

import pytest

from emulators.common import probes_scan
from emulators.common.answerer import render_rules
from emulators.common.controls import Reach
from emulators.common.device_config import parse_config
from emulators.common.probes_sweep import QUESTIONS, Sweep
from emulators.common.record import to_json
from emulators.common.try_packets import (
    ANSWER,
    QUESTION,
    Syns,
    build_answer,
    build_arp_request,
    build_payload,
    build_question,
    checksum,
    parse_arp,
    parse_payload,
    parse_question,
    parse_syn_answer,
)
from emulators.router.runtime.apply.parts import firewall
from harness.checks import (
    administration_from_hq_only,
    clients_isolated,
    matrix,
    nothing_else_open,
    spoofed_sources_dropped,
)
from harness.checks._matrix_cells import TRIED
from harness.checks._port_sweep import label_listening, read_listening
from harness.checks._vantages import LABEL_WAN, WAN_ROUTES, find_again, find_wan, hand_out
from harness.core.entries import Evidence, Seen
from harness.core.sample import answered, build_plan
from tests.unit.test_apply import CONFIG, CREW, GUEST, SITUATION

CHECKS = (matrix, nothing_else_open, spoofed_sources_dropped, clients_isolated, administration_from_hq_only)

# ---------------------------------------------------------------- packets


def test_checksum_of_rfc_1071():
    """Section 3: the sum of these octets is ddf2 (after the carries are added), its complement 220d."""
    assert checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0x220D


@pytest.mark.parametrize("kind", ["icmp", "udp"])
def test_a_question_is_read_as_it_was_asked(kind):
    packet = build_question(kind, ("10.61.1.15", "10.200.0.10"), (20_001, 5004), "matrix.client1.7")
    assert checksum(packet[:20]) == 0  # RFC 1071: over a header with its own checksum the complement is zero
    assert struct.unpack("!H", packet[2:4])[0] == len(packet)
    question = parse_question(packet)
    assert question is not None
    assert (question.token, question.source, question.destination) == ("matrix.client1.7", "10.61.1.15", "10.200.0.10")
    assert (question.protocol, question.port) == (kind, 5004 if kind == "udp" else None)
    body = packet[20:]
    if kind == "udp":
        body = packet[12:20] + struct.pack("!BBH", 0, 17, len(body)) + body  # RFC 768: the pseudo header
    assert checksum(body) == 0


def test_an_answer_goes_back_and_is_no_question():
    question = parse_question(build_question("udp", ("10.61.1.15", "10.200.0.10"), (20_001, 514), "t"))
    answer = build_answer(question)
    assert answer is not None
    assert parse_question(answer) is None  # or two answerers would go on for ever
    assert answer[12:20] == socket.inet_aton("10.200.0.10") + socket.inet_aton("10.61.1.15")
    assert struct.unpack("!HH", answer[20:24]) == (514, 20_001)
    assert parse_payload(answer[28:], ANSWER) == "t"
    echo = parse_question(build_question("icmp", ("10.61.1.15", "10.200.0.10"), (1, 0), "t"))
    assert build_answer(echo) is None


@pytest.mark.parametrize("token", ["", "a\nb", "x" * 65, "é"])
def test_a_token_that_does_not_fit_is_refused(token):
    with pytest.raises(ValueError):
        build_payload(token)


@pytest.mark.parametrize("cut", range(0, 60))
def test_any_cut_of_a_packet_is_read_or_left(cut):
    packet = build_question("udp", ("10.61.1.15", "10.200.0.10"), (1, 2), "matrix.client1.7")[:cut]
    assert parse_question(packet) is None or cut > 28
    assert parse_syn_answer(packet, 1, 1) is None
    assert parse_arp(packet) is None


def test_a_later_fragment_asks_nothing():
    packet = bytearray(build_question("udp", ("10.61.1.15", "10.200.0.10"), (1, 2), "t"))
    packet[6:8] = (185).to_bytes(2, "big")  # RFC 791 section 3.1: the fragment's offset
    assert parse_question(bytes(packet)) is None


def test_each_syn_has_a_right_checksum_and_its_answer_is_known():
    syns = Syns("10.61.1.15", "10.61.1.1", 20_001, 0xFFFFFFFF)
    for port in (1, 22, 443, 65535):
        packet = syns.build(port)
        assert checksum(packet[12:20] + struct.pack("!BBH", 0, 6, 24) + packet[20:]) == 0  # RFC 9293 section 3.1
        assert struct.unpack("!HH", packet[20:24]) == (20_001, port)
        assert parse_syn_answer(packet, 20_001, 0xFFFFFFFF) is None  # one's own SYN is no answer
        for flags, said in ((0x12, "open"), (0x14, "refused"), (0x10, None)):
            answer = bytes([0x45, 0, 0, 40, 0, 0, 0, 0, 64, 6, 0, 0]) + packet[16:20] + packet[12:16]
            answer += struct.pack("!HHLLBBHHH", port, 20_001, 9, 0, 0x50, flags, 0, 0, 0)  # acks 2**32: it wraps to 0
            found = parse_syn_answer(answer, 20_001, 0xFFFFFFFF)
            assert found == (None if said is None else ("10.61.1.1", port, said))
            assert parse_syn_answer(answer, 20_002, 0xFFFFFFFF) is None
            assert parse_syn_answer(answer, 20_001, 7) is None


def test_arp_request_of_rfc_826():
    frame = build_arp_request(bytes.fromhex("00005e005301"), "10.61.1.15", "10.61.1.1")
    assert frame[:14].hex() == "ffffffffffff" + "00005e005301" + "0806"
    assert frame[14:22].hex() == "0001080006040001"  # Ethernet, IPv4, lengths 6 and 4, request
    assert parse_arp(frame[14:]) == (1, "10.61.1.15", "10.61.1.1")


def test_snmp_discovery_reads_as_ber():
    """RFC 3414 section 4: lengths of nested sequences add up, version is 3, the flags say reportable and no more."""
    data = QUESTIONS[161]
    assert data[:2] == bytes([0x30, len(data) - 2])
    assert data[2:5] == bytes([2, 1, 3])
    assert data[5:7] == bytes([0x30, 15]) and data[18:19] == b"\x04"
    rest = data[7 + 15 :]
    assert rest[0] == 4 and rest[2 + rest[1]] == 0x30
    assert len(rest) == 2 + rest[1] + 2 + rest[3 + rest[1]]


# ---------------------------------------------------------------- tries over the loopback


def test_tries_tell_open_refused_and_what_answers_by_udp():
    with (
        socket.create_server(("127.0.0.1", 0)) as listener,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as echo,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mute,
        socket.create_server(("127.0.0.1", 0)) as gone,
    ):
        echo.bind(("127.0.0.1", 0))
        mute.bind(("127.0.0.1", 0))
        shut = gone.getsockname()[1]
        gone.close()

        def answer():
            data, peer = echo.recvfrom(2048)
            echo.sendto(data.replace(QUESTION, ANSWER), peer)

        threading.Thread(target=answer, daemon=True).start()
        wanted = [
            (f"tcp/{listener.getsockname()[1]}", "open"),
            (f"tcp/{shut}", "refused"),
            (f"udp/{echo.getsockname()[1]}", "open"),
            (f"udp/{mute.getsockname()[1]}", "silent"),
            (f"udp/{shut}", "refused"),
        ]
        tries = [{"target": "127.0.0.1", "service": service, "token": "t"} for service, _ in wanted]
        assert Sweep(tries, None).run(0.3, 1) == [outcome for _, outcome in wanted]


@pytest.mark.parametrize("service", ["tcp", "tcp/x", "icmp/3", "sctp/9", "udp/"])
def test_a_service_that_is_none_is_refused(service):
    with pytest.raises(ValueError, match="service"):
        Sweep([{"target": "127.0.0.1", "service": service}], None)


def test_a_scan_beyond_its_bounds_is_refused():
    for ports in ([[0, 5]], [[1, 70_000]], []):
        with pytest.raises(ValueError, match="ports"):
            probes_scan.scan(["127.0.0.1"], ports)


def test_a_port_whose_first_syn_was_lost_is_found_all_the_same():
    """Linux drops a SYN while the listener's queue is full (net.ipv4.tcp_abort_on_overflow is 0): so the first is
    lost, by a kernel and not by us; by the second the queue is empty."""
    with socket.create_server(("127.0.0.1", 0), backlog=0) as listener:

        def empty():
            listener.accept()[0].close()

        port = listener.getsockname()[1]
        with socket.create_connection(("127.0.0.1", port)):  # fills the queue
            emptied = threading.Timer(0.4, empty)
            emptied.start()
            answers = probes_scan.scan(["127.0.0.1"], [[port, port]], timeout_s=0.8)["answers"]
            emptied.join()
    assert answers == {"127.0.0.1": {"open": [port], "refused": []}}


def test_the_answerer_leaves_what_is_not_its_own():
    rules = render_rules()
    assert "flush ruleset" not in rules
    assert rules.index("socket transparent 0 accept") < rules.index("redirect to")
    assert f"0x{QUESTION.hex()} drop" in rules


# ---------------------------------------------------------------- the matrix as rules


def _rules(*reach, **fields):
    crew = dataclasses.replace(CREW, reach=tuple(reach), **fields)
    config = dataclasses.replace(CONFIG, segments=(crew, GUEST))
    text = firewall.render(config, SITUATION)[firewall.SCRIPT]
    crossing = text.partition("chain crossing {")[2].partition("  }")[0]
    return [line.strip() for line in crossing.splitlines() if 'iifname "br10"' in line and 'oifname "br10"' not in line]


def test_rows_name_services():
    own = 'iifname "br10" ip saddr 10.20.10.0/24'
    assert _rules(Reach("hq", ("tcp/443", "icmp", "tcp/80", "udp/514"))) == [
        f'{own} oifname "ipsec0" ip daddr @headquarters icmp type echo-request accept',
        f'{own} oifname "ipsec0" ip daddr @headquarters tcp dport {{ 80, 443 }} accept',
        f'{own} oifname "ipsec0" ip daddr @headquarters udp dport {{ 514 }} accept',
    ]
    assert _rules(Reach("hq", ("any", "tcp/80"))) == [
        f'{own} oifname "ipsec0" ip daddr @headquarters meta l4proto {{ icmp, tcp, udp }} accept'
    ]
    assert _rules(Reach("hq", ())) == []
    assert _rules() == []


def test_sources_are_verified_where_the_configuration_says_so():
    text = firewall.render(CONFIG, SITUATION)[firewall.SCRIPT]
    assert 'iifname "br10" ip saddr != 10.20.10.0/24 counter drop' in text
    assert 'iifname "br10" ip saddr { 10.20.10.1, 10.20.10.255 } counter drop' in text
    assert 'iifname "wwan0" ip saddr @branch counter drop' in text
    crew = dataclasses.replace(CREW, verify_sources=False)
    trusting = firewall.render(dataclasses.replace(CONFIG, segments=(crew, GUEST)), SITUATION)[firewall.SCRIPT]
    assert 'iifname "br10" ip saddr' not in trusting
    assert 'iifname "br30" ip saddr != 10.20.30.0/24 counter drop' in trusting


def test_nobodys_sources_are_those_of_rfc_6890():
    """Tables 3 (127.0.0.0/8), 15 (240.0.0.0/4) and 16 (broadcast); RFC 5771 section 3: multicast is 224.0.0.0/4."""
    listed = [ipaddress.ip_network(text) for text in firewall.NO_SOURCE.strip("{ }").split(", ")]
    for text in ("127.0.0.0/8", "240.0.0.0/4", "255.255.255.255/32", "224.0.0.0/4"):
        assert any(ipaddress.ip_network(text).subnet_of(network) for network in listed)


# ---------------------------------------------------------------- weakening


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c.NAME)
def test_each_weakening_changes_the_configuration_and_leaves_it_one(check):
    plan = build_plan()
    spoils = check.CHECK.spoils(plan)
    assert spoils
    for spoil in spoils:
        config = to_json(CONFIG)
        for segment, name in zip(config["segments"], ("staff", "guest"), strict=True):
            segment["name"] = name
        before = str(config)
        spoil.change(config)
        assert str(config) != before, spoil.title
        assert parse_config(json.dumps(config).encode())


def test_every_cell_that_is_not_open_as_a_whole_is_opened_by_some_weakening():
    plan = build_plan()
    titles = [spoil.title for spoil in matrix.CHECK.spoils(plan)]
    for cell in ("any at guest", "any at staff"):
        assert any(cell in title for title in titles)
    assert any(title.startswith("staff may open") and title.endswith("at internet") for title in titles)
    assert not any("any at hq" in t and t.startswith("guest") for t in titles)  # no tunnel would carry it


def test_the_twin_of_the_sweep_is_tried_by_no_other_check():
    plan = build_plan()
    for spoil in nothing_else_open.CHECK.spoils(plan):
        service = spoil.title.split()[3]
        assert service not in (*TRIED, *administration_from_hq_only.DOORS)


# ---------------------------------------------------------------- what nodes hand out


def _evidence(*answers):
    return Evidence(Seen(i, seen) for i, seen in enumerate(answers))


def test_the_uplinks_address_is_read_from_the_side_that_gave_it():
    cellular, fixed = build_plan(), build_plan(uplinks=("ethernet",))
    route = "Iface\tDestination\tGateway\tFlags\tRefCnt\tUse\tMetric\tMask\tMTU\tWindow\tIRTT\n" + WAN_ROUTES
    found = find_wan(cellular, _evidence(answered("carrier", LABEL_WAN, 1.0, hand_out(route))))
    assert found is not None and (found.node, found.address) == ("carrier", "100.64.0.2")
    leases = "1800000600 02:00:5e:62:00:21 198.18.64.100 * 01:02:00:5e:62:00:21\n"
    found = find_wan(fixed, _evidence(answered("internet", LABEL_WAN, 1.0, hand_out(leases))))
    assert found is not None and (found.node, found.address) == ("internet", "198.18.64.100")
    for text in (
        "",
        "gtp0\n",
        "inet\t02004064\t0\t1\t0\t0\t0\tFFFFFFFF\n",
        "gtp0\t00004064\t0\t1\t0\t0\t0\t00FFFFFF\n",
    ):
        assert find_wan(cellular, _evidence(answered("carrier", LABEL_WAN, 1.0, hand_out(text)))) is None


def test_listening_ports_of_proc_net_tcp():
    """proc(5): the local port is hexadecimal, state 0A is LISTEN."""
    table = (
        "  sl  local_address rem_address   st\n"
        "   0: 00000000:0016 00000000:0000 0A 0\n"
        "   1: 0100007F:BC4F 00000000:0000 0A 0\n"
        "   2: 0A14140A:8AE0 0A14140A:0050 01 0\n"
    )
    answer = answered("router", label_listening("x", "/proc/net/tcp"), 1.0, hand_out(table))
    assert read_listening(_evidence(answer), "x") == (22, 48207)


def test_a_filter_that_stops_leaves_a_shut_door():
    """In one transaction, and the other way round: at no time is there neither."""
    shut, script = firewall.render_shut(CONFIG), firewall.render(CONFIG, SITUATION)[firewall.SCRIPT]
    for text, other in ((shut, "inet branch"), (script, "inet shut")):
        assert text.index(f"delete table {other}") < text.index("chain crossing")
    assert "hook forward priority filter; policy drop" in shut
    for rule in (
        "ip daddr @headquarters counter drop",
        "ip daddr @branch counter drop",
        "ip saddr @branch counter drop",
    ):
        assert rule in shut and rule in script
    assert "10.200.0.0/24" in shut and "10.20.10.0/24, 10.20.30.0/24" in shut


@pytest.mark.parametrize(("loss_pct", "again"), [(0.0, 1), (0.1, 1), (1.0, 2), (5.0, 4), (60.0, 6), (99.9999999, 6)])
def test_an_unanswered_try_is_repeated_the_more_the_more_the_sites_link_loses(loss_pct: float, again: int) -> None:
    """A try goes unanswered where the link loses it or its answer: 1 - (1 - p)^2, as often as it is made."""
    plan = build_plan()
    carrier = dataclasses.replace(plan.records.carrier, loss_pct=loss_pct)
    lossy = dataclasses.replace(plan, records=dataclasses.replace(plan.records, carrier=carrier))
    assert find_again(lossy) == again


def test_a_fixed_line_loses_nothing_by_the_carriers_record() -> None:
    plan = build_plan(uplinks=("ethernet",))
    carrier = dataclasses.replace(plan.records.carrier, loss_pct=5.0)
    assert find_again(dataclasses.replace(plan, records=dataclasses.replace(plan.records, carrier=carrier))) == 1
