"""The modem: characters on its AT port and messages from the carrier in, effects out. Layer: hardware, pure.

ITU-T V.250: echo (E, clause 6.2.4), verbose responses ``<CR><LF>text<CR><LF>`` (V1, 6.2.6), result codes (5.7.1), A/
(5.2.4). Several commands on a line run left to right; after an error none of the rest (TS 27.007 clause 9.2, V.250
5.4.3). A line that comes while a command still talks to the network waits its turn.

Two AT ports lead into the one machine, as a modem's serial interfaces do: each has its line and its echo (V.250 clause
6.2.4 sets it for the port that asks); commands of both run one after the other; an answer goes to the port that asked,
an unsolicited result code to both. What +CEREG, +CGEREP and +CMEE set is the modem's own, common to both.

Law: time is an argument (seconds, monotonic). Not here: ptys, sockets, TUN (main.py).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from emulators.common import causes, radio
from emulators.router.modem import nas
from emulators.router.modem.at_text import AtSyntaxError, Command, split_line, strike
from emulators.router.modem.card import Card
from emulators.router.modem.commands import TABLE, obey, registration_line
from emulators.router.modem.state import Cme, State

FIRST, SECOND = 1, 2
"""The AT ports: the firmware's, and the one for whoever looks in."""
MAX_LINE = 1024  # a body longer than this is an error: V.250 clause 5.2.1 asks for at least 40


@dataclass(frozen=True, slots=True)
class Write:
    """Characters for an AT port; `port` None: for all of them."""

    data: bytes
    port: int | None = FIRST


@dataclass(frozen=True, slots=True)
class Note:
    """An event, secrets struck out. `port`: whose dialogue it belongs to."""

    kind: str
    line: str
    port: int = FIRST


Output = Write | Note | nas.Send | nas.PdnUp | nas.PdnDown | nas.ShapeChanged


class Modem:
    """One modem with its card slots."""

    def __init__(self, cards: tuple[tuple[int, Card], ...], slots: int, imei: str, search_s: float) -> None:
        self.state = State(nas.Nas(imei, search_s), dict(cards), slots, imei)
        self._echo = {FIRST: True, SECOND: True}
        self._lines = {FIRST: bytearray(), SECOND: bytearray()}
        self._last = {FIRST: "", SECOND: ""}
        self._waiting: deque[tuple[int, str]] = deque()
        self._port: int | None = None
        """The port whose command runs; None between commands."""
        self._rest: tuple[Command, ...] | None = None
        """Commands of the current line that are still to run once the network has answered; None when idle."""
        self._pending: Command | None = None
        self._out: list[Output] = []

    @property
    def bearer(self) -> radio.ActivateDefaultBearer | None:
        return self.state.nas.bearer

    def wake_at(self) -> float | None:
        """Return when `on_time` is due next."""
        return self.state.nas.wake_at()

    def power_on(self, now_s: float) -> list[Output]:
        """Come up: a card without a PIN attaches by itself."""
        self.state.start_radio(now_s)
        return self._flush(now_s)

    def on_time(self, now_s: float) -> list[Output]:
        self.state.effects += self.state.nas.on_time(now_s)
        return self._flush(now_s)

    def on_message(self, message: radio.Message, now_s: float) -> list[Output]:
        self.state.effects += self.state.nas.on_message(message, now_s)
        return self._flush(now_s)

    def on_input(self, data: bytes, now_s: float, port: int = FIRST) -> list[Output]:
        """Take characters from an AT port."""
        if self._echo[port] and data:
            self._out.append(Write(data, port))
        held = self._lines[port]
        for octet in data:
            if octet == 13:
                self._take_line(held.decode("ascii", "replace").strip(), now_s, port)
                held.clear()
            elif octet == 8:  # S5, V.250 clause 6.2.3
                del held[-1:]
            elif octet != 10 and len(held) <= MAX_LINE:
                held.append(octet)
                if bytes(held).upper() == b"A/":
                    self._take_line(self._last[port], now_s, port)
                    held.clear()
        return self._flush(now_s)

    # ------------------------------------------------------------ lines

    def _take_line(self, line: str, now_s: float, port: int) -> None:
        if line[:2].upper() != "AT":
            return  # V.250 clause 5.2.1: what does not begin with AT is not a command line
        if self._rest is not None:
            self._waiting.append((port, line))
            return
        self._last[port], self._port = line, port
        self._out.append(Note("at.command", strike(line), port))
        try:
            if len(line) > MAX_LINE:
                raise AtSyntaxError("line too long")
            commands = split_line(line[2:])
        except AtSyntaxError:
            self._finish("ERROR", now_s)
            return
        self._run(commands, now_s)

    def _run(self, commands: tuple[Command, ...], now_s: float) -> None:
        for index, command in enumerate(commands):
            try:
                answer = self._obey(command, now_s)
            except Cme as error:
                self._fail(error.number, now_s)
                return
            except (KeyError, IndexError):
                self._finish("ERROR", now_s)
                return
            if answer is None:
                self._rest, self._pending = commands[index + 1 :], command
                return
            for line in answer:
                self._say(line)
        self._finish("OK", now_s)

    def _obey(self, command: Command, now_s: float) -> tuple[str, ...] | None:
        if command.name in TABLE:
            return obey(self.state, command, now_s)
        value = command.args[0] if command.args else ""
        if command.name == "E" and value in ("", "0", "1"):
            self._echo[self._port or FIRST] = value == "1"
        elif command.name == "I":
            return ("branchproof bench modem",)
        elif command.name in ("Z", "&F"):
            self._echo[self._port or FIRST], self.state.cmee = True, 0
            self.state.reports = dict.fromkeys(self.state.reports, 0)
        elif (command.name, value) not in (("V", "1"), ("Q", ""), ("Q", "0"), ("S", "0")):
            raise KeyError(command.name)
        return ()

    def _fail(self, number: int, now_s: float) -> None:
        text = causes.CME_TEXTS.get(number, str(number))
        codes = ("ERROR", f"+CME ERROR: {number}", f"+CME ERROR: {text}")
        self._finish(codes[self.state.cmee], now_s)

    def _finish(self, code: str, now_s: float) -> None:
        self._say(code)
        self._rest = self._pending = self._port = None
        if self._waiting:
            port, line = self._waiting.popleft()
            self._take_line(line, now_s, port)

    def _say(self, line: str) -> None:
        self._tell(line, self._port)

    def _tell(self, line: str, port: int | None) -> None:
        """Say a line to a port, or (None) to all: the transcript has what all were told once, as the first port's."""
        self._out += (Write(f"\r\n{line}\r\n".encode(), port), Note("at.response", strike(line), port or FIRST))

    # ------------------------------------------------------------ what the radio did

    def _flush(self, now_s: float) -> list[Output]:
        """Turn the radio's effects into outputs, result codes and unsolicited lines; these may cause more effects."""
        while self.state.effects:
            effects, self.state.effects = self.state.effects, []
            for effect in effects:
                self._on_effect(effect, now_s)
        out, self._out = self._out, []
        return out

    def _on_effect(self, effect: nas.Effect, now_s: float) -> None:
        match effect:
            case nas.RegistrationChanged():
                if self.state.reports["+CEREG"]:
                    self._tell(registration_line(self.state, "+CEREG", unsolicited=True), None)
                self._settle_attach(now_s)
            case nas.PdnUp(cid):
                self._out.append(effect)
                self._settle_activation(cid, None, now_s)
            case nas.PdnRefused(cid, cme):
                self._settle_activation(cid, cme, now_s)
            case nas.PdnDown(cid, by_network):
                self._out.append(effect)
                if self.state.reports["+CGEREP"] and by_network:
                    self._tell(f"+CGEV: NW PDN DEACT {cid}", None)  # TS 27.007 clause 10.1.19
            case nas.Send() | nas.ShapeChanged():
                self._out.append(effect)

    def _settle_attach(self, now_s: float) -> None:
        if self._pending is None or self._pending.name != "+CGATT":
            return
        if self.state.nas.is_registered:
            self._resume(now_s)
        elif self.state.nas.stat == nas.DENIED:
            self._fail(causes.cme_of_emm(self.state.nas.reject_cause), now_s)

    def _settle_activation(self, cid: int, cme: int | None, now_s: float) -> None:
        if self._pending is None or self._pending.name != "+CGACT":
            return
        if cme is None:
            self._resume(now_s)
        else:
            self._fail(cme, now_s)

    def _resume(self, now_s: float) -> None:
        rest, self._rest, self._pending = self._rest or (), None, None
        self._run(rest, now_s)
