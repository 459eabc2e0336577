"""Gets the device an address over the modem, and watches over it. Layer: firmware, pure (time is an argument, seconds).

Lines of the AT port in, effects out. The order of things is one generator, read top to bottom: choose the card, unlock
it, wait for registration, measure, walk the APN list, watch. Laws:

* A PIN is tried once, and only while the card says (+CPINR) that all three tries are left; a PIN that was refused is
  never tried again. A card is never locked by this device. What no card lets us do is looked at again every few
  seconds: that asks the card alone, and a card may be put in, exchanged, or opened in a telephone at any time.
* A refused APN moves on to the next at once. When every APN of every card has failed, a pause passes and all starts
  over: 10 s twice, then twice as long twice, and so on up to 12 minutes; short again once there was an address. (TS
  24.301 clause 6.5.1.4.3 leaves this time to SM_RetryWaitTime, 12 minutes where nothing is set; pauses that double are
  common practice. A back-off timer that the network sends is kept by the modem, whatever we ask of it.)
* An attach refused for good makes the card invalid until the radio or power is switched off (TS 24.301 clause
  5.5.1.2.5), and only the carrier can end that: so the radio is switched off and on after each of those pauses.
* A modem that leaves three commands in a row without an answer hangs: it is reset by its reset line.

Not here: effects and steps (dial_steps.py), lines taken apart (dial_text.py), the port (at_client.py), addresses on
interfaces (uplinks.py).
"""

from __future__ import annotations

import re
from collections.abc import Generator
from typing import Any

from .dial_steps import Ask, Down, Effect, End, Pause, Report, ResetModem, SendLine, Up
from .dial_text import ApnPlan, Grant, Reply, SlotPlan, parse_grant, parse_signal, quote, split_values

FIRST_PAUSE_S, LONGEST_PAUSE_S = 10.0, 720.0  # T3411 and T3402: TS 24.301 Table 10.2.1
CARD_POLL_S = 5.0  # our choice: asks the card, nobody else
ATTACH_PATIENCE_S = 115.0  # five silent attempts: 5 x T3410 (15 s) + 4 x T3411
SILENT_ASKS = 3  # commands in a row without an answer, then the modem hangs; common practice
NETWORK_ANSWER_S = 150.0  # common practice for commands that talk to the network
WATCH_S = 10.0  # how often the signal is measured; common practice
SETTLE_S, SIM_BUSY_TRIES = 1.0, 30
PIN_TRIES = 3  # ETSI TS 102 221 clause 9.5
CME_NO_SIM, CME_SIM_BUSY = 10, 14
HOME, DENIED, ROAMING = 1, 3, 5  # <stat>, TS 27.007 clause 10.1.22
AUTH_CODES = {"pap": 1, "chap": 2}  # TS 27.007 clause 10.1.31
CID = 1


_Script = Generator[Ask | Pause, Reply, None]
_NOTHING = Reply((), "")


def find_pause_s(pauses: int) -> float:
    """Return how long to wait after so many pauses in a row: each length twice, then doubled."""
    return min(FIRST_PAUSE_S * 2.0 ** min(pauses // 2, 10), LONGEST_PAUSE_S)


class Dialler:
    """One modem's dialler. Feed it lines and time; carry out its effects."""

    def __init__(self, plans: tuple[SlotPlan, ...], sim_slots: int, registration_wait_s: float) -> None:
        self._plans, self._sim_slots, self._registration_wait_s = plans, sim_slots, registration_wait_s
        self._refused_pins: set[int] = set()
        self._told: dict[int, str] = {}
        """What was last said of each slot's card."""
        self._silent, self._is_denied = 0, False
        self._now_s = 0.0
        self._script = self._run()
        self._doing: Ask | Pause | None = None
        self._deadline_s: float | None = None
        self._lines: list[str] = []
        self._stat, self._cause = 0, 0
        self._lost: str | None = None
        self._signal: dict[str, Any] | None = None
        self._out: list[Effect] = []

    def wake_at(self) -> float | None:
        """Return when `on_time` is due next."""
        return self._deadline_s

    def start(self, now_s: float) -> list[Effect]:
        """Begin."""
        self._now_s = now_s
        self._advance(None)
        return self._flush()

    def on_time(self, now_s: float) -> list[Effect]:
        """Let time pass."""
        self._now_s = now_s
        if self._deadline_s is not None and now_s >= self._deadline_s:
            late = isinstance(self._doing, Ask)
            self._silent += late
            if self._silent >= SILENT_ASKS:
                self._script.close()
                self._doing = self._deadline_s = None
                self._out.append(ResetModem(f"{self._silent} commands in a row without an answer"))
            else:
                self._advance(Reply(tuple(self._lines), "TIMEOUT") if late else _NOTHING)
        return self._flush()

    def on_line(self, line: str, now_s: float) -> list[Effect]:
        """Take one line of the AT port."""
        self._now_s = now_s
        line = line.strip()
        if not line or line.upper().startswith("AT"):  # echo
            return self._flush()
        if self._is_unsolicited(line):
            if isinstance(self._doing, Pause) and self._doing.wakes:
                self._advance(_NOTHING)
        elif isinstance(self._doing, Ask):
            if line in ("OK", "ERROR") or line.startswith("+CME ERROR:"):
                self._silent = 0
                self._advance(Reply(tuple(self._lines), line))
            else:
                self._lines.append(line)
        return self._flush()

    def _is_unsolicited(self, line: str) -> bool:
        if line.startswith("+CGEV:"):
            if "DEACT" in line or "DETACH" in line:  # TS 27.007 clause 10.1.19
                self._lost = line.removeprefix("+CGEV:").strip()
            return True
        if line.startswith("+CEREG:") and not re.match(r"\+CEREG: \d,\d+(,|$)", line):  # a read answers <n>,<stat>
            self._take_registration(("", *split_values(line[7:])))
            return True
        return False

    def _take_registration(self, values: tuple[str, ...]) -> None:
        """Take `<n>,<stat>,<tac>,<ci>,<AcT>,<cause_type>,<reject_cause>`, shorter where fields are missing."""
        stat = int(values[1]) if len(values) > 1 and values[1].isdigit() else 0
        cause = int(values[6]) if len(values) > 6 and values[6].isdigit() else 0
        act = int(values[4]) if len(values) > 4 and values[4].isdigit() else None
        if (stat, cause) != (self._stat, self._cause):
            self._stat, self._cause = stat, cause
            self._report("registration.changed", stat=stat, act=act, reject_cause=cause or None)

    def _advance(self, reply: Reply | None) -> None:
        try:
            step = next(self._script) if reply is None else self._script.send(reply)
        except StopIteration:
            self._doing = self._deadline_s = None
            return
        self._doing, self._lines = step, []
        length_s = step.timeout_s if isinstance(step, Ask) else step.length_s
        self._deadline_s = self._now_s + length_s
        if isinstance(step, Ask):
            self._out.append(SendLine(step.command))

    def _flush(self) -> list[Effect]:
        out, self._out = self._out, []
        return out

    def _report(self, kind: str, **data: Any) -> None:
        self._out.append(Report(kind, data))

    # ------------------------------------------------------------ the order of things

    def _run(self) -> _Script:
        while not (yield Ask("ATE0")).ok:
            yield Pause(SETTLE_S)
        for command in ("AT+CMEE=1", "AT+CEREG=3", "AT+CGEREP=1"):
            yield Ask(command)
        pauses = 0
        while True:
            ends = []
            for plan in self._plans:
                ends.append((yield from self._use(plan)))
            if any(end.had_address for end in ends):
                pauses = 0
            if all(end.is_local for end in ends):
                yield Pause(CARD_POLL_S)
            else:
                yield Pause(find_pause_s(pauses))
                pauses += 1

    def _use(self, plan: SlotPlan) -> Generator[Ask | Pause, Reply, End]:
        """Use one card for as long as it gives addresses."""
        yield from self._select(plan)
        had_address = False
        while True:
            reason = yield from self._unlock(plan)
            self._tell_card(plan.slot, reason or "")
            if reason is not None:
                return End(is_local=True, had_address=had_address)
            reason = yield from self._register()
            if reason is not None:
                self._report("sim.blocked", slot=plan.slot, reason=reason)
                return End(had_address=had_address)
            yield from self._measure()
            for apn in plan.apns:
                grant = yield from self._try_apn(apn)
                if grant is not None:
                    break
            else:
                return End(had_address=had_address)
            self._lost, had_address = None, True
            self._out.append(Up(grant))
            yield from self._watch()

    def _tell_card(self, slot: int, reason: str) -> None:
        """Report what a card says of itself, once for as long as it says so. An empty reason: it is open."""
        if self._told.get(slot) == reason:
            return
        self._told[slot] = reason
        if reason:
            self._report("sim.blocked", slot=slot, reason=reason)
        else:
            self._report("sim.ready", slot=slot)

    def _select(self, plan: SlotPlan) -> _Script:
        """Put the card's slot in use (+CSUS, TS 27.007 clause 8.66: only while no card is active)."""
        if self._sim_slots > 1:
            current = (yield Ask("AT+CSUS?")).values("+CSUS")
            if current and current[0] != str(plan.slot - 1):
                for command in ("AT+CFUN=0", f"AT+CSUS={plan.slot - 1}", "AT+CFUN=1"):
                    yield Ask(command)
                self._is_denied = False
                return
        if self._is_denied:  # TS 24.301 clause 5.5.1.2.5: a permanent refusal holds until the power is cycled
            yield Ask("AT+CFUN=4")
            yield Ask("AT+CFUN=1")
            self._is_denied = False

    def _unlock(self, plan: SlotPlan) -> Generator[Ask | Pause, Reply, str | None]:
        """Open the card. Returns why it cannot be used, or None."""
        for _ in range(SIM_BUSY_TRIES):
            reply = yield Ask("AT+CPIN?")
            if reply.cme != CME_SIM_BUSY:
                break
            yield Pause(SETTLE_S)
        state = ",".join(reply.values("+CPIN"))
        if reply.cme == CME_NO_SIM:
            return "no SIM in the slot"
        if state == "SIM PIN":
            reason = yield from self._enter_pin(plan)
            if reason is not None:
                return reason
        elif state != "READY":
            return f"SIM asks for {state.removeprefix('SIM ')}" if state else f"SIM does not answer: {reply.final}"
        return None

    def _enter_pin(self, plan: SlotPlan) -> Generator[Ask | Pause, Reply, str | None]:
        if plan.pin is None:
            return "SIM asks for a PIN, and none is known"
        if plan.slot in self._refused_pins:
            return "PIN was refused before; not tried again"
        left = (yield Ask('AT+CPINR="SIM PIN"')).values("+CPINR")
        if len(left) < 2 or left[1] != str(PIN_TRIES):
            tries = left[1] if len(left) > 1 else "an unknown number of"
            return f"SIM asks for a PIN and has {tries} tries left; not tried"
        reply = yield Ask(f"AT+CPIN={quote(plan.pin)}")
        if not reply.ok:
            self._refused_pins.add(plan.slot)
            return f"PIN refused ({reply.final})"
        return None

    def _register(self) -> Generator[Ask | Pause, Reply, str | None]:
        """Wait for registration. With another card to go to, not for ever."""
        give_up_s = self._now_s + self._registration_wait_s + ATTACH_PATIENCE_S
        while True:
            reply = yield Ask("AT+CEREG?")
            self._take_registration(reply.values("+CEREG"))
            if self._stat in (HOME, ROAMING):
                return None
            if self._stat == DENIED:
                self._is_denied = True
                return f"registration refused, EMM cause {self._cause}"
            if len(self._plans) > 1 and self._now_s >= give_up_s:
                return "no registration"
            began_s = self._now_s
            yield Pause(WATCH_S, wakes=True)
            if self._now_s >= began_s + WATCH_S:
                yield from self._measure()

    def _measure(self) -> _Script:
        """Read the signal and report it when it changed. A modem that does not answer is asked for a sign of life."""
        reply = yield Ask("AT+CESQ")
        if reply.final == "TIMEOUT":
            for _ in range(SILENT_ASKS - 1):
                if (yield Ask("AT")).ok:
                    break
            return
        measured = parse_signal(reply.values("+CESQ"), (yield Ask("AT+BPORTS")).values("+BPORTS"))
        if measured is not None and measured != self._signal:
            self._signal = measured
            self._report("signal.measured", **measured)

    def _try_apn(self, apn: ApnPlan) -> Generator[Ask | Pause, Reply, Grant | None]:
        reply = yield from self._activate(apn)
        if not reply.ok:
            self._report("apn.tried", apn=apn.name, outcome="refused" if reply.cme else "failed", cme=reply.cme)
            return None
        grant = parse_grant(apn.name, (yield Ask(f"AT+CGCONTRDP={CID}")).values("+CGCONTRDP"))
        self._report("apn.tried", apn=apn.name, outcome="granted" if grant else "no address", cme=None)
        if grant is None:
            yield Ask(f"AT+CGACT=0,{CID}")
        return grant

    def _activate(self, apn: ApnPlan) -> Generator[Ask | Pause, Reply, Reply]:
        auth = f"{AUTH_CODES[apn.method]},{quote(apn.user)},{quote(apn.password)}" if apn.method else "0"
        for command in (f'AT+CGDCONT={CID},"IP",{quote(apn.name)}', f"AT+CGAUTH={CID},{auth}"):
            reply = yield Ask(command)
            if not reply.ok:
                return reply
        return (yield Ask(f"AT+CGACT=1,{CID}", NETWORK_ANSWER_S))

    def _watch(self) -> _Script:
        """Stay until the link is lost."""
        while self._lost is None and self._stat in (HOME, ROAMING):
            before = self._now_s
            yield Pause(WATCH_S, wakes=True)
            if self._now_s - before >= WATCH_S:
                yield from self._measure()
        self._out.append(Down(self._lost or f"registration lost (+CEREG {self._stat})"))
