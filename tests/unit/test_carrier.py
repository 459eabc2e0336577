"""The carrier's core and user plane: causes of TS 24.301, repeated datagrams, addresses, tools' scripts."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.carrier import machine as core
from emulators.carrier.gateway import GatewaySettings, build_resolver_command, build_rules, downlink_shape
from emulators.carrier.main import build_settings
from emulators.common import radio

IMSI = "001010000000001"
SEED: dict[str, Any] = {
    "plmn": "001-01",
    "pool": "100.64.0.0/24",
    "gateway": "100.64.0.1",
    "nat_address": "198.18.0.10",
    "dns_upstream": "198.18.0.1",
    "subscribers": [
        {
            "imsi": IMSI,
            "active": True,
            "roaming_allowed": False,
            "apns": [
                {"name": "m2m.example", "auth": None, "mtu": 1358},
                {"name": "chap.example", "auth": {"method": "chap", "user": "u", "password": "p"}, "mtu": 1400},
            ],
        }
    ],
    "cell": {"rsrp_dbm": -95, "rsrq_db": -10.5, "sinr_db": 12},
    "link": {"down_bps": 20_000_000, "up_bps": 5_000_000, "delay_ms": 30, "jitter_ms": 5, "loss_pct": 1},
}


def attached(**changes: Any) -> core.Carrier:
    carrier = core.Carrier(build_settings(SEED | changes), lambda n: bytes(range(n)))
    carrier.on_message(radio.AttachRequest(IMSI, "001010000000016"))
    return carrier


def request(
    pti: int, apn: str = "m2m.example", pdn_type: str = "IP", auth: Any = "none"
) -> radio.PdnConnectivityRequest:
    return radio.PdnConnectivityRequest(pti, apn, pdn_type, auth)


def answer_of(outputs: list[core.Output]) -> radio.Message:
    (message,) = [o.message for o in outputs if isinstance(o, core.Send)]
    return message


def test_grant_says_what_the_bearer_is() -> None:
    outputs = attached().on_message(request(1))
    kinds = [type(o).__name__ for o in outputs]
    assert kinds == [
        "BearersChanged",
        "Emit",
        "Send",
    ]  # the bearer stands and is witnessed before the modem hears of it
    answer = answer_of(outputs)
    assert isinstance(answer, radio.ActivateDefaultBearer)
    assert (answer.address, answer.gateway, answer.dns, answer.mtu) == (
        "100.64.0.2",
        "100.64.0.1",
        ("100.64.0.1",),
        1358,
    )
    assert 5 <= answer.bearer_id <= 15  # TS 24.007 clause 11.2.3.1.5
    assert answer.shape == radio.UplinkShape(5_000_000, 30, 5, 1)


def test_repeated_request_repeats_the_answer() -> None:
    carrier = attached()
    first = answer_of(carrier.on_message(request(1)))
    again = carrier.on_message(request(1))
    assert answer_of(again) == first
    assert not [o for o in again if isinstance(o, core.Emit)]


def test_device_that_comes_back_keeps_its_address() -> None:
    carrier = attached()
    carrier.on_message(request(1))
    carrier.on_message(radio.DetachRequest())
    assert carrier.grant is None
    carrier.on_message(radio.AttachRequest(IMSI, "x"))
    carrier.on_message(request(1))
    assert carrier.grant is not None
    assert carrier.grant.address == "100.64.0.2"


@pytest.mark.parametrize(
    ("wanted", "cause"),
    [
        (request(1, "nowhere.example"), 27),
        (request(1, pdn_type="IPV6"), 50),
        (request(1, "chap.example"), 29),
    ],
)
def test_refusals(wanted: radio.PdnConnectivityRequest, cause: int) -> None:
    assert answer_of(attached().on_message(wanted)) == radio.PdnConnectivityReject(1, cause)  # TS 24.301 Annex B


def test_pool_used_up() -> None:
    carrier = attached(pool="100.64.0.1/32")  # nothing but the gateway's own address
    assert answer_of(carrier.on_message(request(1))) == radio.PdnConnectivityReject(1, 26)
    assert carrier.grant is None


def test_apn_case_and_default() -> None:
    carrier = attached()
    assert isinstance(answer_of(carrier.on_message(request(1, "M2M.Example"))), radio.ActivateDefaultBearer)
    assert isinstance(answer_of(attached().on_message(request(1, ""))), radio.ActivateDefaultBearer)


def test_not_attached() -> None:
    carrier = core.Carrier(build_settings(SEED), bytes)
    assert isinstance(answer_of(carrier.on_message(request(1))), radio.PdnConnectivityReject)


def test_a_challenge_is_used_once() -> None:
    carrier = attached()
    ask = answer_of(carrier.on_message(request(1, "chap.example", auth="chap")))
    assert isinstance(ask, radio.EsmInformationRequest)
    right = radio.chap_response(ask.identifier, "p", bytes.fromhex(ask.challenge)).hex()
    reply = radio.EsmInformationResponse(1, ask.identifier, right, "u")
    wrong = dataclasses.replace(reply, response="00" * 16)
    assert answer_of(carrier.on_message(wrong)) == radio.PdnConnectivityReject(1, 29)
    assert carrier.on_message(reply) == []  # RFC 1994 section 4.1: the challenge is spent


def test_conditions_reach_the_modem() -> None:
    carrier = attached()
    assert answer_of(carrier.set_cell(core.CellFigures(-118, -19, -3))) == radio.Cell(
        "001-01", "0001", "00000001", -118, -19, -3
    )
    link = core.LinkFigures(1, 2, 3, 4, 5)
    assert answer_of(carrier.set_link(link)) == radio.Reconfiguration(radio.UplinkShape(2, 3, 4, 5))
    assert downlink_shape(link).rate_bps == 1


MESSAGES = st.one_of(*(st.from_type(kind) for kind in radio.Message.__args__))


@given(MESSAGES)
def test_radio_round_trip(message: radio.Message) -> None:
    assert repr(radio.parse(radio.render(message))) == repr(message)  # repr: nan is not equal to itself


@given(st.binary(max_size=100))
def test_any_datagram_is_a_message_or_a_named_error(datagram: bytes) -> None:
    try:
        radio.parse(datagram)
    except radio.RadioError as error:
        assert repr(datagram)[2:-1] not in str(error) or len(datagram) < 4


def test_rules_and_resolver_name_the_bench() -> None:
    plane = GatewaySettings("100.64.0.0/24", "100.64.0.1", "198.18.0.10", "198.18.0.1", "198.18.255.1", "198.18.255.2")
    rules = build_rules(plane, timeouts=True)
    assert "snat to 198.18.0.10" in rules
    assert "policy drop" in rules
    assert "unreplied: 300" in rules  # RFC 4787 REQ-5: five minutes
    assert "300" not in build_rules(plane, timeouts=False)
    assert "--server=198.18.0.1" in build_resolver_command(plane)


@pytest.mark.parametrize(("at", "cause"), [("attach", 22), ("connection", 26)])
def test_congestion_says_for_how_long(at: str, cause: int) -> None:
    """TS 24.301 clauses 5.5.1.2.5 (T3346 with #22) and 6.5.1.4.2 (T3396 with #26)."""
    carrier = attached()
    carrier.congestion = core.Congestion(at, 15.0)
    attach = answer_of(carrier.on_message(radio.AttachRequest(IMSI, "001010000000016")))
    if at == "attach":
        assert attach == radio.AttachReject(cause, t3346_s=15.0)
        return
    assert isinstance(attach, radio.AttachAccept)
    assert answer_of(carrier.on_message(request(1))) == radio.PdnConnectivityReject(1, cause, 15.0)
    carrier.congestion = None
    assert isinstance(answer_of(carrier.on_message(request(2))), radio.ActivateDefaultBearer)


def test_another_network_refuses_in_its_own_words() -> None:
    carrier = attached()
    carrier.plmn, carrier.no_roaming_cause = "001-02", 14
    assert answer_of(carrier.on_message(radio.AttachRequest(IMSI, "001010000000016"))) == radio.AttachReject(14)
    cell = answer_of(carrier.on_message(radio.CellSearch()))
    assert isinstance(cell, radio.Cell)
    assert cell.plmn == "001-02"


def test_network_sends_the_device_away_once() -> None:
    carrier = attached()
    carrier.on_message(request(1))
    outputs = carrier.detach()
    assert [type(o).__name__ for o in outputs] == ["BearersChanged", "Send"]
    assert answer_of(outputs) == radio.DetachRequest()
    assert carrier.detach() == []


def test_order_that_changes_meets_the_next_request() -> None:
    """What is on record is pushed to the core: TS 29.272 clause 5.2.2.1."""
    carrier = attached()
    (subscriber,) = carrier.subscribers.values()
    carrier.subscribers = {IMSI: dataclasses.replace(subscriber, apns=())}
    assert answer_of(carrier.on_message(request(1))) == radio.PdnConnectivityReject(1, 27)
    carrier.subscribers = {IMSI: subscriber}
    assert isinstance(answer_of(carrier.on_message(request(2))), radio.ActivateDefaultBearer)
