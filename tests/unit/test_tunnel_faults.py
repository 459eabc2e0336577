"""The tunnel's troubles, pure parts: charon's words for them, what stand-ins are told. The lines are of charon
5.9.8 at work, from runs of this bench."""

from __future__ import annotations

import pytest

from emulators.common.filters import render_drop
from emulators.common.swanctl import render_charon
from emulators.hq.impairments_endpoint.power import build_return
from emulators.hq.impairments_gateway.address import build_move
from emulators.hq.impairments_gateway.other_branch import build_peer, find_lan_addresses
from emulators.hq.tunnel import GatewayTunnel
from emulators.internet.impairments.moved_names import move
from emulators.router.runtime.apply.connection import find_left_out
from emulators.router.runtime.apply.tunnel_failures import Failure, FailureReader, Unanswered

TUNNEL = GatewayTunnel(
    local_id="hq.example",
    remote_id="other.example",
    local_subnets=("10.200.0.0/24",),
    remote_subnets=("10.61.1.0/26", "10.61.1.64/26"),
    ike_proposals=("aes256gcm16-prfsha384-ecp256",),
    esp_proposals=("aes256gcm16-ecp256",),
    dpd_s=10,
    method="psk",
    psk="secret",
)


@pytest.mark.parametrize(
    ("line", "reason", "exchange"),
    [
        ("06[IKE] received AUTHENTICATION_FAILED notify error", "authentication_failed", "IKE_AUTH"),
        ("06[IKE] received NO_PROPOSAL_CHOSEN notify error", "no_proposal_chosen", "IKE_SA_INIT"),
        ("06[IKE] received NO_PROPOSAL_CHOSEN notify, no CHILD_SA built", "no_proposal_chosen", "IKE_AUTH"),
        ("06[IKE] received TS_UNACCEPTABLE notify, no CHILD_SA built", "traffic_selectors", "IKE_AUTH"),
        (
            "06[CFG] subject certificate invalid (valid from Jul 01 00:00:00 2026 to Oct 01 00:00:00 2026)",
            "certificate_not_valid_now",
            "IKE_AUTH",
        ),
    ],
)
def test_why_there_is_no_tunnel(line, reason, exchange):
    said = FailureReader().feed(line)
    assert isinstance(said, Failure)
    assert (said.reason, said.exchange) == (reason, exchange)
    assert not said.detail.startswith("[")


INITIATING = "09[IKE] initiating IKE_SA headquarters[1] to 198.18.0.30"
STANDS = "09[IKE] IKE_SA headquarters[1] established between 100.64.0.2[a.example]...198.18.0.30[hq.example]"
GIVEN_UP = "11[IKE] giving up after 4 retransmits"


@pytest.mark.parametrize(
    ("before", "message", "exchange"),
    [
        ([INITIATING], 0, "IKE_SA_INIT"),  # RFC 7296 section 2.2: message IDs begin at 0
        ([INITIATING], 1, "IKE_AUTH"),
        ([INITIATING, STANDS], 2, "INFORMATIONAL"),
        ([INITIATING, STANDS], 0, "INFORMATIONAL"),  # the device's first request of an SA that the other end rekeyed
        ([INITIATING, STANDS, INITIATING], 0, "IKE_SA_INIT"),  # a new try, after a tunnel that stood
    ],
)
def test_which_request_nobody_answered(before, message, exchange):
    reader = FailureReader()
    assert [reader.feed(line) for line in before] == [None] * len(before)
    assert reader.feed(f"11[IKE] retransmit 1 of request with message ID {message}") == Unanswered()
    assert reader.feed(GIVEN_UP) == Failure("no_answer", exchange, "giving up after 4 retransmits")


def test_lines_that_say_nothing_of_a_trouble():
    reader = FailureReader()
    for line in (
        STANDS,
        "06[IKE] failed to establish CHILD_SA, keeping IKE_SA",
        "",
        "06[CFG] reached self-signed root",
    ):
        assert reader.feed(line) is None


def test_a_filter_drops_both_ways_and_only_what_is_carried():
    script = render_drop(500)
    assert "hook forward" in script and "hook input" not in script
    assert script.count(" drop\n") == 2 and "dport 500" in script and "sport 500" in script


def test_a_link_that_comes_back_has_its_routes():
    link = {"routes": [{"to": "10.61.1.0/26", "via": "10.200.0.1"}]}
    assert build_return(link, "10.200.0.1").splitlines() == [
        "link set hqlan up",
        "route replace default via 10.200.0.1 dev hqlan",
        "route replace 10.61.1.0/26 via 10.200.0.1 dev hqlan",
    ]


def test_a_gateway_that_moves_keeps_its_routes_and_comes_back_the_same_way():
    link = {"routes": [{"to": "198.18.64.0/24", "via": "198.18.0.1"}]}
    there, back = (
        build_move(link, "198.18.0.30/24", "198.18.0.31/24"),
        build_move(link, "198.18.0.31/24", "198.18.0.30/24"),
    )
    assert there.splitlines()[:2] == ["addr del 198.18.0.30/24 dev inet", "addr add 198.18.0.31/24 dev inet"]
    assert back.splitlines()[:2] == ["addr del 198.18.0.31/24 dev inet", "addr add 198.18.0.30/24 dev inet"]
    assert there.splitlines()[2] == back.splitlines()[2] == "route replace 198.18.64.0/24 via 198.18.0.1 dev inet"


def test_a_name_is_moved_and_no_other():
    argv = ("dnsmasq", "--host-record=hq.example,198.18.0.30", "--host-record=www.hq.example,198.18.0.1")
    assert move(argv, "hq.example", "198.18.0.31") == (
        "dnsmasq", "--host-record=hq.example,198.18.0.31", "--host-record=www.hq.example,198.18.0.1",
    )  # fmt: skip
    with pytest.raises(KeyError):
        move(argv, "example", "198.18.0.31")


def test_the_other_branch_is_the_gateways_tunnel_from_its_other_end():
    peer = build_peer(TUNNEL, {}, host="198.18.0.32", gateway="198.18.0.30")
    child = peer["children"]["branch"]
    assert (peer["local"]["id"], peer["remote"]["id"]) == ("other.example", "hq.example")
    assert (child["local_ts"], child["remote_ts"]) == (list(TUNNEL.remote_subnets), list(TUNNEL.local_subnets))
    assert find_lan_addresses(TUNNEL) == ("10.61.1.62/32", "10.61.1.126/32")


def test_settings_of_a_charon_that_is_not_alone():
    text = render_charon("userspace", "", "/run/other.vici", ("port = 0", "routing_table = 221"))
    assert "unix:///run/other.vici" in text and "  port = 0\n  routing_table = 221\n" in text
    assert text.count("{") == text.count("}")
    assert "unix:///run/charon.vici" in render_charon("kernel", "")


def test_networks_that_the_gateway_left_out():
    child = {"state": "INSTALLED", "local-ts": ["10.61.1.64/26"]}
    wanted = ("10.61.1.0/26", "10.61.1.64/26")
    assert find_left_out([{"child-sas": {"a": child}}], wanted) == ("10.61.1.0/26",)
    assert find_left_out([{"child-sas": {"a": {**child, "local-ts": ["10.61.1.0/24"]}}}], wanted) == ()  # wider will do
    assert find_left_out([{"child-sas": {"a": {**child, "state": "DELETING"}}}], wanted) == wanted
