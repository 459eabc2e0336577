"""Two AT ports into one modem: answers go to whoever asked, unsolicited result codes to both. V.250, TS 27.007."""

from __future__ import annotations

from emulators.common import radio
from emulators.common.identifiers import build_imei
from emulators.router.modem.card import Card
from emulators.router.modem.machine import FIRST, SECOND, Modem, Note, Output, Write
from harness.lab.modem_port import is_final


class Bench:
    def __init__(self) -> None:
        card = Card("8999900000000410114", "001010000041011", None, "12345678")
        self.modem = Modem(((1, card),), 1, build_imei(1), 0.0)
        self.heard: dict[int | None, str] = {}
        self.notes: list[tuple[int, str]] = []
        self.take(self.modem.power_on(0.0))

    def take(self, outputs: list[Output]) -> None:
        for output in outputs:
            if isinstance(output, Write):
                self.heard[output.port] = self.heard.get(output.port, "") + output.data.decode()
            elif isinstance(output, Note):
                self.notes.append((output.port, output.line))

    def say(self, line: str, port: int) -> dict[int | None, str]:
        self.heard = {}
        self.take(self.modem.on_input(line.encode() + b"\r", 1.0, port))
        return self.heard


def test_an_answer_goes_to_the_port_that_asked() -> None:
    bench = Bench()
    bench.say("ATE0", FIRST)
    bench.say("ATE0", SECOND)
    assert bench.say("AT+CSUS?", SECOND) == {SECOND: "\r\n+CSUS: 0\r\n\r\nOK\r\n"}
    assert bench.say("AT+CSUS?", FIRST) == {FIRST: "\r\n+CSUS: 0\r\n\r\nOK\r\n"}


def test_each_port_has_its_own_echo_and_line() -> None:
    bench = Bench()
    bench.say("ATE0", SECOND)
    assert bench.say("AT", FIRST)[FIRST].startswith("AT\r")
    bench.take(bench.modem.on_input(b"AT+CS", 1.0, FIRST))  # half a line at one port
    assert bench.say("AT", SECOND) == {SECOND: "\r\nOK\r\n"}
    assert "+CSUS: 0" in bench.say("US?", FIRST)[FIRST]


def test_a_command_waits_while_the_other_port_talks_to_the_network() -> None:
    bench = Bench()
    bench.say("ATE0", FIRST)
    bench.say("ATE0", SECOND)
    assert bench.say("AT+CGATT=1", FIRST) == {}  # the carrier has not answered
    assert bench.say("AT+CSUS?", SECOND) == {}
    for message in (radio.Cell("001-01", "0001", "00000001", -80.0, -10.0, 20.0), radio.AttachReject(8)):
        bench.take(bench.modem.on_message(message, 2.0))
    assert "ERROR" in bench.heard[FIRST] and "+CSUS" not in bench.heard[FIRST]
    assert bench.heard[SECOND] == "\r\n+CSUS: 0\r\n\r\nOK\r\n"


def test_an_unsolicited_result_code_goes_to_both() -> None:
    bench = Bench()
    bench.say("AT+CEREG=1", FIRST)
    bench.heard = {}
    for message in (radio.Cell("001-01", "0001", "00000001", -80.0, -10.0, 20.0), radio.AttachAccept(roaming=False)):
        bench.take(bench.modem.on_message(message, 2.0))
    assert "+CEREG: 1" in bench.heard[None]  # None: every port


def test_the_transcript_tells_the_ports_apart() -> None:
    bench = Bench()
    bench.notes.clear()
    bench.say('AT+CPIN="1234"', SECOND)
    assert bench.notes[0] == (SECOND, "AT+CPIN=***")
    assert {port for port, _ in bench.notes} == {SECOND}


def test_final_result_codes() -> None:
    assert all(map(is_final, ("OK", "ERROR", "+CME ERROR: 10", "+CMS ERROR: 500", "NO CARRIER")))
    assert not any(map(is_final, ("+CREG: 0,1", "OKAY", "")))
