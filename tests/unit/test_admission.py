"""Admission: the device's gate and its daemons' files, HQ's answers, the cast of the proof, a client's frames."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from emulators.client.frames import build_discover, parse_offer
from emulators.client.newcomers import render_ways
from emulators.client.supplicant import render_supplicant
from emulators.common.controls import OPEN, Admission
from emulators.common.device_config import DeviceConfig, DhcpRange, Management, Radius, Segment, Tunnel, Uplinks
from emulators.common.try_packets import build_udp
from emulators.hq.radius import parse_answer, render_radius
from emulators.router.runtime.apply.admission_gate import LOOK_AGAIN_S, VERDICT_S, Gate, Order
from emulators.router.runtime.apply.base import ApplyError, Situation
from emulators.router.runtime.apply.check import check_config
from emulators.router.runtime.apply.hostapd_port import PortEvent, parse_eap_type, parse_event
from emulators.router.runtime.apply.parts import admission, segments
from harness.checks.admission import CHECK
from harness.core import model, sections
from harness.core.admission_cast import find_address, find_unlisted, list_ports
from harness.core.sample import build_plan
from harness.lab.seed_admission import build_client, build_radius, list_secrets, make_access

MAC, OTHER = "00:00:5e:00:53:01", "00:00:5e:00:53:02"  # RFC 7042 section 2.1.2: documentation
NOW = datetime(2027, 1, 15, tzinfo=UTC)

# ---------------------------------------------------------------- the gate


def make_gate(**changes: object) -> Gate:
    return Gate(replace(Admission("dot1x", eap=("tls",)), **changes))  # type: ignore[arg-type]


def test_a_success_by_a_method_that_is_taken_lets_in() -> None:
    gate = make_gate()
    gate.on_started(MAC, 0.0)
    assert gate.on_success(MAC, 13) == (Order("let_in", MAC, "tls"),)
    assert gate.inside == (MAC,)


@pytest.mark.parametrize("eap_type", [25, 4, None])
def test_a_success_by_another_method_does_not(eap_type: int | None) -> None:
    gate = make_gate()
    (order,) = gate.on_success(MAC, eap_type)
    assert order.what == "keep_out"
    assert gate.inside == ()


def test_two_devices_on_one_port_are_told_apart() -> None:
    gate = make_gate(refused="guest")
    gate.on_success(MAC, 13)
    assert gate.on_failure(OTHER) == (Order("keep_out", OTHER, "refused by the server", lands=True),)
    assert gate.inside == (MAC,)


def test_who_fails_or_leaves_is_out() -> None:
    gate = make_gate()
    gate.on_success(MAC, 13)
    assert gate.on_failure(MAC)[0].what == "keep_out"
    gate.on_success(MAC, 13)
    assert gate.on_left(MAC)[0].what == "keep_out"
    assert gate.inside == ()
    assert gate.on_left(OTHER) == ()


def test_the_server_is_looked_for_only_when_a_verdict_is_overdue() -> None:
    gate = make_gate()
    gate.on_started(MAC, 10.0)
    assert not gate.must_look(10.0 + VERDICT_S / 2)
    assert gate.must_look(10.0 + VERDICT_S)


@pytest.mark.parametrize("unreachable", ["deny", "admit"])
def test_a_silent_device_is_not_let_in_while_the_server_answers(unreachable: str) -> None:
    gate = make_gate(unreachable=unreachable)
    gate.on_started(MAC, 0.0)
    assert gate.on_server(answers=True, now_s=5.0) == ()
    assert gate.inside == ()
    assert gate.must_look(5.0 + LOOK_AGAIN_S)


def test_without_a_server_a_new_device_gets_what_the_segment_says() -> None:
    deny, admit = make_gate(), make_gate(unreachable="admit")
    for gate in (deny, admit):
        gate.on_started(MAC, 0.0)
    assert deny.on_server(answers=False, now_s=2.0) == (Order("keep_out", MAC, "no server answers"),)
    assert admit.on_server(answers=False, now_s=2.0) == (Order("let_in", MAC, "unreachable"),)
    assert deny.inside == ()
    assert admit.inside == (MAC,)


def test_without_a_server_nobody_is_let_in_who_did_not_begin() -> None:
    gate = make_gate(unreachable="admit")
    assert gate.on_server(answers=False, now_s=2.0) == ()
    gate.on_started(MAC, 2.0)
    assert gate.on_server(answers=False, now_s=2.1) == ()  # not overdue yet


def test_who_is_in_stays_in_without_a_server_and_who_came_without_it_goes_when_it_is_back() -> None:
    gate = make_gate(unreachable="admit")
    gate.on_success(MAC, 13)
    gate.on_started(OTHER, 0.0)
    gate.on_server(answers=False, now_s=2.0)
    assert set(gate.inside) == {MAC, OTHER}
    assert not gate.must_look(2.5)
    assert gate.must_look(2.0 + LOOK_AGAIN_S)
    assert gate.on_server(answers=True, now_s=5.0) == (Order("put_out", OTHER, "a server answers again"),)
    assert gate.inside == (MAC,)


def test_one_who_is_in_and_begins_anew_stays_in_without_a_server() -> None:
    gate = make_gate()
    gate.on_success(MAC, 13)
    gate.on_started(MAC, 1.0)
    assert gate.on_server(answers=False, now_s=3.0) == ()
    assert gate.inside == (MAC,)


# ---------------------------------------------------------------- hostapd's words


@pytest.mark.parametrize(
    ("text", "event"),
    [
        # as hostapd 2.10 said them on the bench
        (f"<3>CTRL-EVENT-EAP-STARTED {MAC}", PortEvent("started", MAC)),
        (f"<3>CTRL-EVENT-EAP-SUCCESS2 {MAC}", PortEvent("succeeded", MAC)),
        (f"<3>CTRL-EVENT-EAP-FAILURE2 {MAC}", PortEvent("failed", MAC)),
        (f"<3>AP-STA-DISCONNECTED {MAC}", PortEvent("left", MAC)),
        (f"<3>AP-STA-CONNECTED {MAC}", None),
        ("<3>CTRL-EVENT-EAP-PROPOSED-METHOD vendor=0 method=1", None),
        ("OK\n", None),
        ("<3>CTRL-EVENT-EAP-SUCCESS2 00:00:5e", None),
        ("", None),
    ],
)
def test_events(text: str, event: PortEvent | None) -> None:
    assert parse_event(text) == event


def test_eap_type_is_the_servers_last() -> None:
    assert parse_eap_type(f"{MAC}\nflags=[AUTHORIZED]\nlast_eap_type_as=25 (PEAP)\nlast_eap_type_sta=3 (NAK)\n") == 25
    assert parse_eap_type("FAIL\n") is None


# ---------------------------------------------------------------- the device's files


def make_config(**changes: object) -> DeviceConfig:
    def segment(place: int, name: str, **more: object) -> Segment:
        dhcp = DhcpRange(f"10.0.{place}.10", f"10.0.{place}.99", 600)
        return Segment(name, place, (place,), f"10.0.{place}.1/24", dhcp, (), **more)  # type: ignore[arg-type]

    eap = Admission("dot1x", eap=("tls",), refused="guest")
    tunnel = Tunnel(
        gateway="198.18.0.30",
        local_id="a.example",
        remote_id="b.example",
        ike_proposals=("aes256gcm16-prfsha384-ecp256",),
        esp_proposals=("aes256gcm16-ecp256",),
        local_subnets=("10.0.2.0/24",),
        remote_subnets=("10.200.0.0/24",),
        dpd_s=10,
        method="psk",
        psk="xyzzy5461",
    )
    config = DeviceConfig(
        format=1,
        site="a",
        hostname="branch-a",
        segments=(
            segment(1, "till", admission=eap),
            segment(2, "staff", admission=Admission("mac", macs=(MAC, OTHER))),
            segment(3, "guest", isolated=True),
        ),
        uplinks=Uplinks(("cellular",), None),
        tunnel=tunnel,
        time_servers=(),
        name_servers=(),
        logging=None,
        monitoring=None,
        administration=None,
        management=Management(("boot.example:443",), 5.0, 60.0),
        radius=Radius("10.200.0.10", 1812, "xyzzy5461"),
    )
    return replace(config, **changes)  # type: ignore[arg-type]


def render(config: DeviceConfig) -> dict[str, str]:
    return dict(admission.render(config, Situation(None, "userspace", 1300)))


def test_hostapd_asks_from_an_address_that_the_tunnel_takes() -> None:
    conf = render(make_config())["/run/etc/hostapd-lan1.conf"].splitlines()
    assert {"interface=lan1", "driver=wired", "ieee8021x=1", "auth_server_addr=10.200.0.10"} <= set(conf)
    assert {"own_ip_addr=10.0.2.1", "radius_client_addr=10.0.2.1"} <= set(conf)


def test_closed_ports_start_locked_and_open_ones_do_not() -> None:
    lines = segments.render(make_config(), Situation(None, "userspace", 1300))[segments.SCRIPT].splitlines()
    locked = [line for line in lines if "locked on learning off" in line]
    assert [line.split()[2] for line in locked] == ["lan1", "lan2"]
    assert all(lines.index(line) < lines.index(f"link set {line.split()[2]} up") for line in locked)


def test_who_fails_is_led_away_by_address_and_eapol_is_not() -> None:
    script = render(make_config())[admission.SCRIPT]
    chain = script.partition("chain at_lan1 {")[2].partition("}")[0]
    assert chain.index("ether type 0x888e accept") < chain.index('ether saddr @refused_lan1 fwd to "lan1l"')
    links = render(make_config())[admission.LINKS]
    assert "link set lan1r master br3\n" in links
    assert "link set lan1r type bridge_slave isolated on\n" in links


def test_a_list_lets_nobody_else_by() -> None:
    script = render(make_config())[admission.SCRIPT]
    assert f"elements = {{ {MAC}, {OTHER} }}" in script
    chain = script.partition("chain at_lan2 {")[2].partition("}")[0]
    assert [line.strip() for line in chain.splitlines()][-3:] == ["ether saddr @listed_lan2 accept", "counter drop", ""]


def test_nothing_is_rendered_where_anybody_may_come() -> None:
    config = make_config()
    assert not render(replace(config, segments=(config.segments[2],)))


@pytest.mark.parametrize(
    ("given", "section"),
    [
        (Admission("dot1x", eap=()), "segments[0].admission"),
        (Admission("mac"), "segments[0].admission.macs"),
        (Admission("mac", macs=("01:00:5e:00:53:01",)), "segments[0].admission.macs"),
        (Admission("mac", macs=("00:00:5E:00:53:01",)), "segments[0].admission.macs"),
        (Admission("mac", macs=(MAC,), refused="attic"), "segments[0].admission.refused"),
        (Admission("mac", macs=(MAC,), refused="till"), "segments[0].admission.refused"),
        (Admission("mac", macs=(MAC,), refused="staff"), "segments[0].admission.refused"),
    ],
)
def test_contradictions_are_not_applied(given: Admission, section: str) -> None:
    config = make_config()
    check_config(config)
    first, *others = config.segments
    with pytest.raises(ApplyError) as caught:
        check_config(replace(config, segments=(replace(first, admission=given), *others)))
    assert caught.value.section == section


@pytest.mark.parametrize(
    ("radius", "section"),
    [
        (None, "segments[0].admission"),
        (Radius("10.200.0.10", 0, "word"), "radius.port"),
        (Radius("10.200.0.10", 1812, 'a "word"'), "radius.secret"),
        (Radius("10.200.0.10", 1812, "two\nlines"), "radius.secret"),
        (Radius("10.200.0.10", 1812, " word"), "radius.secret"),
        (Radius("radius.example", 1812, "word"), "addresses"),
    ],
)
def test_servers_that_cannot_be_asked_are_not_applied(radius: Radius | None, section: str) -> None:
    with pytest.raises(ApplyError) as caught:
        check_config(make_config(radius=radius))
    assert caught.value.section == section
    assert "word" not in str(caught.value) or radius is None or radius.secret != "word"


# ---------------------------------------------------------------- headquarters


def test_answers_are_read() -> None:
    line = "(4) answered accept PEAP 02-00-5E-00-53-71 till-1"
    assert parse_answer(line) == {"user": "till-1", "outcome": "accept", "eap": "peap", "mac": "02:00:5e:00:53:71"}
    assert parse_answer("answered reject TLS  till-1") == {
        "user": "till-1",
        "outcome": "reject",
        "eap": "tls",
        "mac": "",
    }
    assert parse_answer("Ready to process requests") is None


@pytest.mark.parametrize(
    ("secret", "user", "password"),
    [('a"b', "till-1", "word"), ("word", "till 1", "word"), ("word", "till-1", "a\nb"), ("word", "till-1", "$x")],
)
def test_texts_that_freeradius_would_interpret_are_refused(secret: str, user: str, password: str) -> None:
    certificates = {"certificate_pem": "", "key_pem": "", "client_ca_pem": ""}
    users = [{"user": user, "password": password}]
    with pytest.raises(ValueError, match="a meaning to"):
        render_radius({"port": 1812, "secret": secret, "users": users, "certificates": certificates}, ["10.0.0.0/24"])


def test_only_the_branch_may_ask() -> None:
    settings = {
        "port": 1812,
        "secret": "xyzzy5461",
        "users": [{"user": "till-1", "password": "word"}],
        "certificates": {"certificate_pem": "", "key_pem": "", "client_ca_pem": ""},
    }
    main = render_radius(settings, ["10.0.1.0/24", "10.0.2.0/24"])["radiusd.conf"]
    assert re.findall(r"ipaddr = (\S+)\n  secret", main) == ["10.0.1.0/24", "10.0.2.0/24"]
    assert main.count("require_message_authenticator = yes") == 2


# ---------------------------------------------------------------- the cast and what it is given


def make_plan() -> model.Plan:
    first, second = (replace(s, ports=(n,)) for n, s in enumerate(build_plan().branch.segments, start=1))
    admissions = Admission("dot1x", eap=("peap",)), Admission("mac", macs=(MAC, OTHER))
    radius = sections.Radius("10.200.0.10", 1812, sections.SecretRef("env:KEY"))
    shut = (replace(first, admission=admissions[0]), replace(second, admission=admissions[1]))
    return build_plan(segments=shut, radius=radius)


def test_each_port_has_right_wrong_and_silent_devices() -> None:
    eap, listed = list_ports(make_plan())
    assert [(d.name, d.due) for d in eap.devices] == [
        ("own", "in"), ("right_tls", "out"), ("wrong_peap", "out"), ("silent", "nothing"), ("halfway", "nothing"),
    ]  # fmt: skip
    assert [(d.name, d.due) for d in listed.devices] == [("own", "in"), ("listed0", "in"), ("unlisted", "out")]
    assert eap.newcomer is not None
    assert listed.newcomer is None
    macs = [d.mac for port in (eap, listed) for d in (*port.devices, port.newcomer, port.returner) if d and d.mac]
    assert len(set(macs)) == len(macs)


def test_an_unlisted_address_is_not_listed() -> None:
    assert find_unlisted((MAC, OTHER)) == "00:00:5e:00:53:03"
    assert find_unlisted(("00:00:5e:00:53:00", "00:00:5e:00:53:ff")) == "00:00:5e:00:53:01"


def test_devices_take_addresses_of_their_own_outside_of_the_pool() -> None:
    segment = build_plan().branch.segments[0]
    taken = [find_address(segment, index) for index in range(20)]
    assert len(set(taken)) == 20
    first, last = ipaddress.IPv4Address(segment.dhcp.first), ipaddress.IPv4Address(segment.dhcp.last)
    assert not any(first <= ipaddress.IPv4Address(address) <= last for address in taken)
    assert segment.address.partition("/")[0] not in taken


def test_seeds_tell_each_what_it_needs_and_no_more() -> None:
    plan = make_plan()
    access = make_access(plan, NOW)
    assert access is not None
    radius = build_radius(plan, {"env:KEY": "xyzzy5461"}, access)
    assert radius is not None
    assert [user["user"] for user in radius["users"]] == ["staff-1"]
    eap, listed = build_client(plan, 1, access), build_client(plan, 2, access)
    assert eap is not None
    assert listed == {"method": "mac", "mac": MAC}
    credentials = eap["credentials"]
    assert credentials["own"] == credentials["right_peap"]
    assert credentials["right_peap"]["password"] == access.passwords["staff-1"]
    assert credentials["wrong_peap"]["password"] != access.passwords["staff-1"]
    assert credentials["wrong_tls"]["certificate_pem"] != credentials["right_tls"]["certificate_pem"]
    assert set(list_secrets(access).values()) >= {access.passwords["staff-1"], credentials["right_tls"]["key_pem"]}
    assert build_client(plan, 4, access) is None


def test_nothing_is_made_where_nobody_asks() -> None:
    plan = build_plan()
    plan = build_plan(segments=tuple(replace(s, admission=OPEN) for s in plan.branch.segments), radius=None)
    assert make_access(plan, NOW) is None
    assert build_radius(plan, {}, None) is None
    assert build_client(plan, 1, None) is None


def test_the_twin_opens_the_first_closed_segment() -> None:
    plan = make_plan()
    spoils = CHECK.spoils(plan)
    config = {"segments": [{"admission": {"method": "dot1x", "refused": "deny"}}, {"admission": {"method": "mac"}}]}
    spoils[0].change(config)
    assert config["segments"][0]["admission"]["method"] == "open"
    assert {spoil.key for spoil in spoils} == {
        "segments[0].admission.method", "segments[1].admission.method", "segments[0].admission.eap",
        "segments[0].admission.unreachable", "segments[1].admission.macs",
    }  # fmt: skip


# ---------------------------------------------------------------- a device's own files and frames


def test_a_supplicants_strings_cannot_be_read_as_more() -> None:
    credential = {"eap": "peap", "identity": "till-1", "password": 'a"\n}', "ca_pem": "CA"}
    files = render_supplicant(credential, Path("/run/x"))
    assert 'a"' not in files["supplicant.conf"]
    assert f"password={credential['password'].encode().hex()}" in files["supplicant.conf"].splitlines()
    assert files["ca.pem"] == "CA"


def test_newcomers_frames_are_led_by_address() -> None:
    rules = render_ways("lan1", {"new0": MAC})
    assert f'ether daddr {MAC} fwd to "new0p"' in rules
    assert 'device "new0p" priority 0; policy accept;\nfwd to "lan1"' in rules


def test_discover_and_offer_of_rfc_2131() -> None:
    mac = bytes.fromhex(MAC.replace(":", ""))
    frame = build_discover(mac, 0x3903F326)
    assert frame[:14] == b"\xff" * 6 + mac + b"\x08\x00"
    bootp = frame[14 + 28 :]
    assert (bootp[0], bootp[1], bootp[2]) == (1, 1, 6)  # section 2: BOOTREQUEST, Ethernet, six octets
    assert bootp[236:243] == bytes.fromhex("63825363350101")  # section 3: cookie; RFC 2132 9.6: DHCPDISCOVER
    reply = bytes([2]) + bootp[1:16] + bytes([10, 0, 1, 50]) + bootp[20:236]
    options = bytes.fromhex("63825363") + bytes([53, 1, 2, 0, 54, 4, 10, 0, 1, 1, 255])
    offer = parse_offer(build_udp("10.0.1.1", "10.0.1.50", (67, 68), reply + options), 0x3903F326)
    assert offer is not None
    assert (offer.address, offer.server) == ("10.0.1.50", "10.0.1.1")
    assert parse_offer(build_udp("10.0.1.1", "10.0.1.50", (67, 68), reply + options), 1) is None
    assert parse_offer(b"", 1) is None
    assert parse_offer(build_udp("10.0.1.1", "10.0.1.50", (67, 68), reply + options[:-5]), 0x3903F326) is None
