"""What is done to cards, antennas and modem from outside, and what outlives a power cut.

Tries and reset: ETSI TS 102 221 clause 9.5. RSRP of several ports: TS 36.214 clause 5.1.1.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emulators.common.identifiers import build_imei
from emulators.router.modem.antennas import combine_ports, measure_ports
from emulators.router.modem.card import Card, build_cards, list_cards, load_kept, save_kept
from emulators.router.modem.machine import Modem, Write
from emulators.router.modem.tray import Tray, find_other_pin
from emulators.router.runtime.dial_text import parse_signal

ICCID, IMSI, PUK = "8901001123456789015", "001010000000001", "12345678"


def build(pin: str | None = None) -> tuple[Modem, Tray]:
    modem = Modem(((1, Card(ICCID, IMSI, pin, PUK)),), 1, build_imei(1), 0.0)
    modem.power_on(0.0)
    tray = Tray(modem.state, {})
    say(modem, "ATE0;+CMEE=1")
    return modem, tray


def say(modem: Modem, line: str) -> str:
    out = modem.on_input(line.encode() + b"\r", 1.0)
    return b"".join(o.data for o in out if isinstance(o, Write)).decode().strip()


def test_card_is_taken_out_and_put_back() -> None:
    modem, tray = build()
    assert tray.follow({"card_missing": 1}, 2.0)
    assert say(modem, "AT+CPIN?") == "+CME ERROR: 10"
    assert modem.state.nas.imsi is None
    assert tray.follow({}, 3.0)
    assert "READY" in say(modem, "AT+CPIN?")
    assert modem.state.nas.imsi == IMSI


def test_facts_that_are_no_news_change_nothing() -> None:
    _, tray = build()
    assert tray.follow({"card_missing": 1}, 2.0)
    assert not tray.follow({"card_missing": 1, "of_others": 7}, 3.0)


def test_broken_card_answers_nothing() -> None:
    modem, tray = build()
    tray.follow({"card_broken": 1}, 2.0)
    assert say(modem, "AT+CPIN?") == "+CME ERROR: 13"
    tray.follow({}, 3.0)
    assert "READY" in say(modem, "AT+CPIN?")


@pytest.mark.parametrize("pin", [None, "4321"])
def test_other_pin_and_then_none(pin: str | None) -> None:
    modem, tray = build(pin)
    tray.follow({"card_pin": 1}, 2.0)
    assert say(modem, f'AT+CPIN="{pin or "0000"}"') == "+CME ERROR: 16"
    assert '"SIM PIN",2' in say(modem, "AT+CPINR").replace("SIM PIN,2", '"SIM PIN",2')
    tray.follow({}, 3.0)
    assert "READY" in say(modem, "AT+CPIN?")
    assert tray.cards[1].pin_tries == 3
    assert tray.cards[1].wrong_pins == 1  # what this device did is remembered


def test_locked_card_asks_for_its_puk() -> None:
    modem, tray = build("4321")
    tray.follow({"card_locked": 1}, 2.0)
    assert "SIM PUK" in say(modem, "AT+CPIN?")
    assert modem.state.nas.imsi is None
    tray.follow({}, 3.0)
    assert "READY" in say(modem, "AT+CPIN?")
    assert tray.cards[1].puk_tries == 10


@pytest.mark.parametrize("pin", ["0000", "4321", "98765432"])
def test_other_pin_is_another_of_the_same_length(pin: str) -> None:
    other = find_other_pin(pin)
    assert len(other) == len(pin)
    assert all(a != b for a, b in zip(pin, other, strict=True))


def test_what_a_card_keeps_outlives_the_modem(tmp_path: Path) -> None:
    card = Card(ICCID, IMSI, "4321", PUK)
    assert card.enter_pin("0000") == 16
    save_kept(tmp_path, {1: card}, {"card_pin": 1})
    kept = load_kept(tmp_path)
    again = build_cards([{"slot": 1, "iccid": ICCID, "imsi": IMSI, "pin": "4321", "puk": PUK}], kept["cards"])
    assert (again[1].pin_tries, again[1].verified) == (2, False)
    assert kept["facts"] == {"card_pin": 1}
    assert list_cards(tmp_path) == [{"slot": 1, "pin_tries": 2, "puk_tries": 10, "wrong_pins": 1, "wrong_puks": 0}]


def test_no_cards_before_the_modem_had_power(tmp_path: Path) -> None:
    assert list_cards(tmp_path) == []


def test_ports_side_by_side() -> None:
    assert measure_ports(-90.0, [0.0, 0.0]) == (-90.0, -91.5)
    off = measure_ports(-90.0, [15.0, 0.0])
    assert off == (-105.0, -91.5)
    assert combine_ports(off) == -91.5  # not lower than that of any one port


def test_antenna_off_shows_on_the_at_port() -> None:
    modem, tray = build()
    tray.follow({"antenna_loss": {"port": 2, "db": 15.0}}, 2.0)
    assert modem.state.losses_db == [0.0, 15.0]
    tray.follow({}, 3.0)
    assert modem.state.losses_db == [0.0, 0.0]


def test_signal_is_read_with_its_ports() -> None:
    # TS 27.007 clause 8.69: RSRP index n is -141 + n dBm, RSRQ index n is -20 + n / 2 dB, 255 is not known
    assert parse_signal(("99", "99", "255", "255", "20", "61"), ("61", "46")) == {
        "rsrp_dbm": -80.0,
        "rsrq_db": -10.0,
        "ports_dbm": [-80.0, -95.0],
    }
    assert parse_signal(("99", "99", "255", "255", "255", "255"), ("255", "255")) == {
        "rsrp_dbm": None,
        "rsrq_db": None,
        "ports_dbm": [None, None],
    }
    assert parse_signal((), ()) is None
