"""The modem's AT port against 3GPP TS 27.007 and ITU-T V.250: forms, result codes, numbers. Clauses beside checks."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.common import radio
from emulators.common.identifiers import build_imei
from emulators.router.modem import nas
from emulators.router.modem.at_text import AtSyntaxError, Command, split_line, strike
from emulators.router.modem.card import Card
from emulators.router.modem.machine import Modem, Note, Write

IMSI, ICCID = "001010000000001", "8901001123456789015"
CELL = radio.Cell("001-01", "0001", "00000001", -80.0, -10.0, 20.0)
SHAPE = radio.UplinkShape(None, 0, 0, 0)


def bearer(pti: int) -> radio.ActivateDefaultBearer:
    return radio.ActivateDefaultBearer(
        pti, 5, "m2m.example", "100.64.0.2", "100.64.0.1", ("100.64.0.1",), 1358, 1, 2, SHAPE
    )


class Bench:
    """A modem without a carrier: what it sends is kept, what it hears is written by the test."""

    def __init__(self, pin: str | None = None, card: bool = True) -> None:
        cards = ((1, Card(ICCID, IMSI, pin, "12345678")),) if card else ()
        self.modem = Modem(cards, 2, build_imei(1), 0.0)
        self.sent: list[radio.Message] = []
        self.text, self.notes = "", []
        self.take(self.modem.power_on(0.0))

    def take(self, outputs: list[object]) -> None:
        for output in outputs:
            if isinstance(output, Write):
                self.text += output.data.decode("latin-1")
            elif isinstance(output, Note):
                self.notes.append(output.line)
            elif isinstance(output, nas.Send):
                self.sent.append(output.message)

    def say(self, line: str) -> str:
        """Send a line; return what came back."""
        self.text = ""
        self.take(self.modem.on_input(line.encode() + b"\r", 1.0))
        return self.text

    def hear(self, message: radio.Message) -> str:
        self.text = ""
        self.take(self.modem.on_message(message, 2.0))
        return self.text

    def quiet(self) -> Bench:
        self.say("ATE0;+CMEE=1")
        return self

    def registered(self) -> Bench:
        self.quiet().hear(CELL)
        self.hear(radio.AttachAccept(roaming=False))
        return self


def lines(text: str) -> list[str]:
    return [line for line in text.split("\r\n") if line]


# ---------------------------------------------------------------- V.250


def test_echo_and_verbose_form() -> None:
    bench = Bench()
    assert bench.say("AT") == "AT\r\r\nOK\r\n"  # clauses 6.2.4 (E1) and 5.7.1: <CR><LF>OK<CR><LF>
    bench.say("ATE0")
    assert bench.say("AT") == "\r\nOK\r\n"


def test_lower_case_and_repeat() -> None:
    bench = Bench().quiet()
    assert lines(bench.say("at+cimi")) == [IMSI, "OK"]  # clause 5.4.1: case does not matter
    bench.text = ""
    bench.take(bench.modem.on_input(b"A/", 1.0))  # clause 5.2.4: at once, without CR
    assert lines(bench.text) == [IMSI, "OK"]


def test_line_without_at_is_not_a_command() -> None:
    assert Bench().quiet().say("hello") == ""


def test_backspace() -> None:
    assert lines(Bench().quiet().say("AT+CIMX\x08I")) == [IMSI, "OK"]  # clause 5.2.2, S5


def test_error_ends_the_line() -> None:
    bench = Bench().quiet()
    # TS 27.007 clause 9.2: no later command of the line runs
    assert lines(bench.say("AT+CIMI;+CGACT=1,7;+CEREG=3")) == [IMSI, "+CME ERROR: 21"]
    assert lines(bench.say("AT+CEREG?"))[0].startswith("+CEREG: 0,")


def test_unknown_command() -> None:
    assert lines(Bench().quiet().say("AT+XYZZY")) == ["ERROR"]


def test_second_line_waits_for_the_first() -> None:
    bench = Bench().registered()
    bench.say('AT+CGDCONT=1,"IP","m2m.example"')
    assert bench.say("AT+CGACT=1,1;+CIMI") == ""
    assert bench.say("AT+CSUS?") == ""
    request = bench.sent[-1]
    assert isinstance(request, radio.PdnConnectivityRequest)
    assert lines(bench.hear(bearer(request.pti))) == [IMSI, "OK", "+CSUS: 0", "OK"]


@given(st.binary(max_size=60))
def test_any_octets_leave_the_modem_answering(data: bytes) -> None:
    bench = Bench()
    bench.take(bench.modem.on_input(data + b"\r", 1.0))
    bench.say("ATE0")
    assert "OK" in bench.say("AT")


@given(st.text(max_size=40))
def test_any_body_is_commands_or_a_named_error(body: str) -> None:
    try:
        split_line(body)
    except AtSyntaxError as error:
        assert str(error)


def test_semicolon_and_comma_inside_quotes() -> None:
    assert split_line('+CGAUTH=1,1,"a;b","c,d";E0') == (
        Command("+CGAUTH", "set", ("1", "1", "a;b", "c,d")),
        Command("E", "set", ("0",)),
    )


def test_escaped_characters() -> None:
    assert split_line(r'+CGAUTH=1,1,"u","a\22b\5Cc"')[0].args[3] == 'a"b\\c'  # V.250 clause 5.4.2.2


# ---------------------------------------------------------------- TS 27.007


def test_cmee_levels() -> None:
    bench = Bench(card=False)
    bench.say("ATE0")
    answers = [lines(bench.say(f"AT+CMEE={n};+CIMI"))[-1] for n in (0, 1, 2)]
    assert answers == ["ERROR", "+CME ERROR: 10", "+CME ERROR: SIM not inserted"]  # clause 9.1, 9.2.1


def test_pin_then_puk() -> None:
    bench = Bench(pin="4321").quiet()
    assert lines(bench.say("AT+CPIN?")) == ["+CPIN: SIM PIN", "OK"]  # clause 8.3
    assert lines(bench.say("AT+CIMI")) == ["+CME ERROR: 11"]
    assert [lines(bench.say("AT+CPIN=0000")) for _ in range(3)] == [["+CME ERROR: 16"]] * 3
    assert lines(bench.say("AT+CPIN?")) == ["+CPIN: SIM PUK", "OK"]
    assert lines(bench.say("AT+CIMI")) == ["+CME ERROR: 12"]
    assert lines(bench.say("AT+CPINR")) == ["+CPINR: SIM PIN,0,3", "+CPINR: SIM PUK,10,10", "OK"]
    assert lines(bench.say('AT+CPIN="00000000","1111"')) == ["+CME ERROR: 16"]
    assert lines(bench.say('AT+CPIN="12345678","1111"')) == ["OK"]
    assert lines(bench.say("AT+CPIN?")) == ["+CPIN: READY", "OK"]
    assert lines(bench.say("AT+CPINR")) == ["+CPINR: SIM PIN,3,3", "+CPINR: SIM PUK,10,10", "OK"]


def test_right_pin_sets_the_counter_back() -> None:
    bench = Bench(pin="4321").quiet()
    bench.say("AT+CPIN=0000")
    assert lines(bench.say("AT+CPIN=4321")) == ["OK"]
    assert bench.modem.state.cards[1].pin_tries == 3  # ETSI TS 102 221 clause 9.5
    assert lines(bench.say("AT+CPIN=4321")) == ["+CME ERROR: 3"]  # clause 8.3: no PIN request pending


def test_ten_wrong_puks_kill_the_card() -> None:
    bench = Bench(pin="4321").quiet()
    for _ in range(3):
        bench.say("AT+CPIN=0000")
    for _ in range(10):
        bench.say('AT+CPIN="00000000","1111"')
    assert lines(bench.say("AT+CPIN?")) == ["+CME ERROR: 13"]


def test_pin_is_asked_again_after_minimum_functionality() -> None:
    bench = Bench(pin="4321").quiet()
    bench.say("AT+CPIN=4321")
    bench.say("AT+CFUN=0;+CFUN=1")
    assert lines(bench.say("AT+CPIN?")) == ["+CPIN: SIM PIN", "OK"]


def test_identities() -> None:
    bench = Bench().quiet()
    assert lines(bench.say("AT+CGSN")) == ["001010000000016", "OK"]  # clause 5.4; Luhn digit by TS 23.003 Annex B
    assert lines(bench.say("AT+CGSN=1")) == ['+CGSN: "001010000000016"', "OK"]
    # clause 8.18: SW1 144, SW2 0; EF_ICCID coding of TS 102 221 clause 13.2
    assert lines(bench.say("AT+CRSM=176,12258,0,0,10")) == ['+CRSM: 144,0,"981000113254769810F5"', "OK"]


def test_signal_reports() -> None:
    bench = Bench().quiet()
    assert lines(bench.say("AT+CESQ")) == ["+CESQ: 99,99,255,255,255,255", "OK"]  # clause 8.69: not known
    assert lines(bench.say("AT+CSQ")) == ["+CSQ: 99,99", "OK"]
    bench.hear(CELL)
    assert lines(bench.say("AT+CESQ")) == ["+CESQ: 99,99,255,255,20,61", "OK"]  # RSRQ [-10, -9.5), RSRP [-80, -79)


def test_cereg_forms() -> None:
    bench = Bench().quiet()
    bench.say("AT+CEREG=3")
    assert lines(bench.say("AT+CEREG?")) == ["+CEREG: 3,2", "OK"]
    bench.hear(CELL)
    assert lines(bench.hear(radio.AttachAccept(roaming=False))) == ['+CEREG: 1,"0001","00000001",7']  # clause 10.1.22
    assert lines(bench.say("AT+CEREG?;+CGATT?;+CREG?")) == [
        '+CEREG: 3,1,"0001","00000001",7',
        "+CGATT: 1",
        "+CREG: 0,0",
        "OK",
    ]


def test_cereg_reject_cause() -> None:
    bench = Bench().quiet()
    bench.say("AT+CEREG=3")
    bench.hear(CELL)
    assert lines(bench.hear(radio.AttachReject(8))) == ["+CEREG: 3,,,,0,8"]  # cause_type 0: EMM cause
    bench.say('AT+CGDCONT=1,"IP","m2m.example"')
    assert lines(bench.say("AT+CGACT=1,1")) == ["+CME ERROR: 108"]


def test_activation_before_registration_attaches_first() -> None:
    bench = Bench().quiet()
    bench.say('AT+CGDCONT=1,"IP","m2m.example"')
    assert bench.say("AT+CGACT=1,1") == ""  # clause 10.1.10: not attached: the MT attaches first
    bench.hear(CELL)
    bench.hear(radio.AttachAccept(roaming=False))
    request = bench.sent[-1]
    assert isinstance(request, radio.PdnConnectivityRequest)
    assert lines(bench.hear(bearer(request.pti))) == ["OK"]


@pytest.mark.parametrize(
    ("cause", "number"), [(26, 126), (27, 127), (29, 129), (33, 133), (34, 134), (8, 177), (66, 179)]
)
def test_activation_refusals(cause: int, number: int) -> None:
    bench = Bench().registered()
    bench.say('AT+CGDCONT=1,"IP","m2m.example"')
    bench.say("AT+CGACT=1,1")
    request = bench.sent[-1]
    assert isinstance(request, radio.PdnConnectivityRequest)
    assert lines(bench.hear(radio.PdnConnectivityReject(request.pti, cause))) == [f"+CME ERROR: {number}"]


def test_context_and_its_parameters() -> None:
    bench = Bench().registered()
    bench.say('AT+CGEREP=1;+CGDCONT=2,"IP","m2m.example";+CGAUTH=2,1,"u","secret"')
    assert lines(bench.say("AT+CGAUTH?")) == ['+CGAUTH: 2,1,"u",""', "OK"]
    bench.say("AT+CGACT=1,2")
    request = bench.sent[-1]
    assert isinstance(request, radio.PdnConnectivityRequest)
    assert request.pap == radio.PapCredentials("u", "secret")
    bench.hear(bearer(request.pti))
    # clause 10.1.23: cid, bearer id, APN, address and mask, gateway, two DNS, two P-CSCF, two flags, IPv4 MTU
    rdp = '+CGCONTRDP: 2,5,"m2m.example","100.64.0.2.255.255.255.255","100.64.0.1","100.64.0.1","","","",0,0,1358'
    assert lines(bench.say("AT+CGCONTRDP=2")) == [rdp, "OK"]
    assert lines(bench.say("AT+CGACT?")) == ["+CGACT: 2,1", "OK"]
    assert lines(bench.hear(radio.DeactivateBearer(5, 36))) == ["+CGEV: NW PDN DEACT 2"]  # clause 10.1.19
    assert lines(bench.say("AT+CGACT?")) == ["+CGACT: 2,0", "OK"]


@pytest.mark.parametrize(
    "line", ['AT+CGDCONT=0,"IP"', 'AT+CGDCONT=1,"IP","a_b"', 'AT+CGDCONT=1,"XX"', "AT+CFUN=9", "AT+CEREG=7"]
)
def test_wrong_parameters(line: str) -> None:
    assert lines(Bench().quiet().say(line)) == ["+CME ERROR: 50"]


def test_card_slots() -> None:
    bench = Bench().quiet()
    assert lines(bench.say("AT+CSUS=?;+CSUS?")) == ["+CSUS: (2)", "+CSUS: 0", "OK"]  # clause 8.66
    assert lines(bench.say("AT+CSUS=1")) == ["+CME ERROR: 3"]  # a card is active
    assert lines(bench.say("AT+CFUN=0;+CSUS=1;+CFUN=1;+CPIN?")) == ["+CME ERROR: 10"]


def test_chap_answer_is_computed_from_the_challenge() -> None:
    bench = Bench().registered()
    bench.say('AT+CGDCONT=1,"IP","m2m.example";+CGAUTH=1,2,"u","secret"')
    bench.say("AT+CGACT=1,1")
    request = bench.sent[-1]
    assert isinstance(request, radio.PdnConnectivityRequest)
    assert (request.auth, request.pap) == ("chap", None)
    bench.hear(radio.EsmInformationRequest(request.pti, 9, "00ff" * 8, "gateway"))
    answer = bench.sent[-1]
    assert isinstance(answer, radio.EsmInformationResponse)
    assert bytes.fromhex(answer.response) == radio.chap_response(9, "secret", bytes.fromhex("00ff" * 8))


@pytest.mark.parametrize(
    ("line", "struck"),
    [
        ("AT+CPIN=4321", "AT+CPIN=***"),
        ('AT+CPIN="12345678","1111";+CIMI', "AT+CPIN=***;+CIMI"),
        ('AT+CGAUTH=1,2,"ferry","pier-7"', 'AT+CGAUTH=1,2,"ferry",***'),
        ('at+cgauth = 1 , 1 , "a,b" , "x;y";+CSQ', 'at+cgauth = 1 , 1 , "a,b" ,***;+CSQ'),
        ("AT+CGAUTH=1,1,u,p", "AT+CGAUTH=1,1,u,***"),
        ("AT+CPIN?", "AT+CPIN?"),
    ],
)
def test_secrets_are_struck_out(line: str, struck: str) -> None:
    assert strike(line) == struck
