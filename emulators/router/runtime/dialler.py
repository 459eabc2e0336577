"""Gets the device an address over the modem, and watches over it. Layer: firmware, pure (time is an argument, seconds).

Lines of the AT port in, effects out. The order of things is one generator, read top to bottom: choose the card, unlock
it, wait for registration, measure, walk the APN list, watch. Laws:

* A PIN is tried once, and only while the card says (+CPINR) that all three tries are left; a PIN that was refused is
  never tried again. A card is never locked by this device.
* A refusal with a permanent cause moves on to the next APN at once; any other is tried again after T3411, five times
  (TS 24.301 clause 5.5.1.2.6 and Table 10.2.1: the attach counter's figures, used here for PDN connections, for which
  the standard leaves them to the device). When every APN of every card has failed, T3402 passes and all starts over.

Not here: lines taken apart (dial_text.py), the port (at_client.py), addresses on interfaces (uplinks.py).
"""

from __future__ import annotations

import re
from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from .dial_text import ApnPlan, Grant, Reply, SlotPlan, parse_grant, parse_plans, quote, split_values

__all__ = ["ApnPlan", "Dialler", "Grant", "Reply", "SlotPlan", "parse_grant", "parse_plans", "quote", "split_values"]

T3411_S, T3402_S, ATTEMPTS = 10.0, 720.0, 5  # TS 24.301 Table 10.2.1, clause 5.5.1.2.6
ATTACH_PATIENCE_S = 115.0  # five silent attempts: 5 x T3410 (15 s) + 4 x T3411
ANSWER_S = 10.0  # common practice for commands that stay inside the modem
NETWORK_ANSWER_S = 150.0  # common practice for commands that talk to the network
WATCH_S = 30.0  # how often the signal is measured while the link stands; common practice
SETTLE_S, SIM_BUSY_TRIES = 1.0, 30
PIN_TRIES = 3  # ETSI TS 102 221 clause 9.5
# +CME ERROR numbers that no waiting cures (TS 27.007 clause 9.2.2): unknown APN (ESM #27), authentication (#29), option
# not supported (#32), not subscribed (#33), barred (#8), APN not here (#66), old form of authentication failure.
PERMANENT_CME = frozenset({127, 129, 132, 133, 149, 177, 179})
CME_NO_SIM, CME_SIM_BUSY = 10, 14
HOME, DENIED, ROAMING = 1, 3, 5  # <stat>, TS 27.007 clause 10.1.22
AUTH_CODES = {"pap": 1, "chap": 2}  # TS 27.007 clause 10.1.31
CID = 1


@dataclass(frozen=True, slots=True)
class SendLine:
    text: str


@dataclass(frozen=True, slots=True)
class Report:
    kind: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Up:
    grant: Grant


@dataclass(frozen=True, slots=True)
class Down:
    reason: str


Effect = SendLine | Report | Up | Down


@dataclass(frozen=True, slots=True)
class _Ask:
    command: str
    timeout_s: float = ANSWER_S


@dataclass(frozen=True, slots=True)
class _Pause:
    """Wait `length_s`, or less when registration or the link changes, if `wakes`."""

    length_s: float
    wakes: bool = False


_Script = Generator[_Ask | _Pause, Reply, None]
_NOTHING = Reply((), "")


class Dialler:
    """One modem's dialler. Feed it lines and time; carry out its effects."""

    def __init__(self, plans: tuple[SlotPlan, ...], sim_slots: int, registration_wait_s: float) -> None:
        self._plans, self._sim_slots, self._registration_wait_s = plans, sim_slots, registration_wait_s
        self._refused_pins: set[int] = set()
        self._now_s = 0.0
        self._script = self._run()
        self._doing: _Ask | _Pause | None = None
        self._deadline_s: float | None = None
        self._lines: list[str] = []
        self._stat, self._cause = 0, 0
        self._lost: str | None = None
        self._signal: tuple[float | None, float | None] | None = None
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
            late = isinstance(self._doing, _Ask)
            self._advance(Reply(tuple(self._lines), "TIMEOUT") if late else _NOTHING)
        return self._flush()

    def on_line(self, line: str, now_s: float) -> list[Effect]:
        """Take one line of the AT port."""
        self._now_s = now_s
        line = line.strip()
        if not line or line.upper().startswith("AT"):  # echo
            return self._flush()
        if self._is_unsolicited(line):
            if isinstance(self._doing, _Pause) and self._doing.wakes:
                self._advance(_NOTHING)
        elif isinstance(self._doing, _Ask):
            if line in ("OK", "ERROR") or line.startswith("+CME ERROR:"):
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
        length_s = step.timeout_s if isinstance(step, _Ask) else step.length_s
        self._deadline_s = self._now_s + length_s
        if isinstance(step, _Ask):
            self._out.append(SendLine(step.command))

    def _flush(self) -> list[Effect]:
        out, self._out = self._out, []
        return out

    def _report(self, kind: str, **data: Any) -> None:
        self._out.append(Report(kind, data))

    # ------------------------------------------------------------ the order of things

    def _run(self) -> _Script:
        while not (yield _Ask("ATE0", 2.0)).ok:
            yield _Pause(SETTLE_S)
        for command in ("AT+CMEE=1", "AT+CEREG=3", "AT+CGEREP=1"):
            yield _Ask(command)
        while True:
            for plan in self._plans:
                yield from self._use(plan)
            yield _Pause(T3402_S)

    def _use(self, plan: SlotPlan) -> _Script:
        """Use one card for as long as it gives addresses."""
        yield from self._select(plan)
        reason = yield from self._unlock(plan)
        while reason is None:
            reason = yield from self._register()
            if reason is not None:
                break
            yield from self._measure()
            for apn in plan.apns:
                grant = yield from self._try_apn(apn)
                if grant is not None:
                    break
            else:
                return
            self._lost = None
            self._out.append(Up(grant))
            yield from self._watch()
        self._report("sim.blocked", slot=plan.slot, reason=reason)

    def _select(self, plan: SlotPlan) -> _Script:
        """Put the card's slot in use (+CSUS, TS 27.007 clause 8.66: only while no card is active)."""
        if self._sim_slots > 1:
            current = (yield _Ask("AT+CSUS?")).values("+CSUS")
            if current and current[0] != str(plan.slot - 1):
                for command in ("AT+CFUN=0", f"AT+CSUS={plan.slot - 1}", "AT+CFUN=1"):
                    yield _Ask(command)
                return
        if self._stat == DENIED:  # TS 24.301 clause 5.5.1.2.5: a permanent refusal holds until the power is cycled
            yield _Ask("AT+CFUN=4")
            yield _Ask("AT+CFUN=1")

    def _unlock(self, plan: SlotPlan) -> Generator[_Ask | _Pause, Reply, str | None]:
        """Open the card. Returns why it cannot be used, or None."""
        for _ in range(SIM_BUSY_TRIES):
            reply = yield _Ask("AT+CPIN?")
            if reply.cme != CME_SIM_BUSY:
                break
            yield _Pause(SETTLE_S)
        state = ",".join(reply.values("+CPIN"))
        if reply.cme == CME_NO_SIM:
            return "no SIM in the slot"
        if state == "SIM PIN":
            reason = yield from self._enter_pin(plan)
            if reason is not None:
                return reason
        elif state != "READY":
            return f"SIM asks for {state.removeprefix('SIM ')}" if state else f"SIM does not answer: {reply.final}"
        self._report("sim.ready", slot=plan.slot)
        return None

    def _enter_pin(self, plan: SlotPlan) -> Generator[_Ask | _Pause, Reply, str | None]:
        if plan.pin is None:
            return "SIM asks for a PIN, and none is known"
        if plan.slot in self._refused_pins:
            return "PIN was refused before; not tried again"
        left = (yield _Ask('AT+CPINR="SIM PIN"')).values("+CPINR")
        if len(left) < 2 or left[1] != str(PIN_TRIES):
            tries = left[1] if len(left) > 1 else "an unknown number of"
            return f"SIM asks for a PIN and has {tries} tries left; not tried"
        reply = yield _Ask(f"AT+CPIN={quote(plan.pin)}")
        if not reply.ok:
            self._refused_pins.add(plan.slot)
            return f"PIN refused ({reply.final})"
        return None

    def _register(self) -> Generator[_Ask | _Pause, Reply, str | None]:
        """Wait for registration. With another card to go to, not for ever."""
        give_up_s = self._now_s + self._registration_wait_s + ATTACH_PATIENCE_S
        while True:
            reply = yield _Ask("AT+CEREG?")
            self._take_registration(reply.values("+CEREG"))
            if self._stat in (HOME, ROAMING):
                return None
            if self._stat == DENIED:
                return f"registration refused, EMM cause {self._cause}"
            if len(self._plans) > 1 and self._now_s >= give_up_s:
                return "no registration"
            yield _Pause(WATCH_S, wakes=True)

    def _measure(self) -> _Script:
        """Read +CESQ (TS 27.007 clause 8.69) and report it when it changed. Bins count by their lower edge."""
        values = (yield _Ask("AT+CESQ")).values("+CESQ")
        if len(values) < 6:
            return
        rsrq, rsrp = int(values[4]), int(values[5])
        measured = (None if rsrp == 255 else float(rsrp - 141), None if rsrq == 255 else rsrq / 2 - 20)
        if measured != self._signal:
            self._signal = measured
            self._report("signal.measured", rsrp_dbm=measured[0], rsrq_db=measured[1])

    def _try_apn(self, apn: ApnPlan) -> Generator[_Ask | _Pause, Reply, Grant | None]:
        for attempt in range(ATTEMPTS):
            if attempt:
                yield _Pause(T3411_S)
            reply = yield from self._activate(apn)
            if reply.ok:
                grant = parse_grant(apn.name, (yield _Ask(f"AT+CGCONTRDP={CID}")).values("+CGCONTRDP"))
                self._report("apn.tried", apn=apn.name, outcome="granted" if grant else "no address", cme=None)
                if grant is not None:
                    return grant
                yield _Ask(f"AT+CGACT=0,{CID}")
                continue
            self._report("apn.tried", apn=apn.name, outcome="refused" if reply.cme else "failed", cme=reply.cme)
            if reply.cme in PERMANENT_CME:
                return None
        return None

    def _activate(self, apn: ApnPlan) -> Generator[_Ask | _Pause, Reply, Reply]:
        auth = f"{AUTH_CODES[apn.method]},{quote(apn.user)},{quote(apn.password)}" if apn.method else "0"
        for command in (f'AT+CGDCONT={CID},"IP",{quote(apn.name)}', f"AT+CGAUTH={CID},{auth}"):
            reply = yield _Ask(command)
            if not reply.ok:
                return reply
        return (yield _Ask(f"AT+CGACT=1,{CID}", NETWORK_ANSWER_S))

    def _watch(self) -> _Script:
        """Stay until the link is lost."""
        while self._lost is None and self._stat in (HOME, ROAMING):
            before = self._now_s
            yield _Pause(WATCH_S, wakes=True)
            if self._now_s - before >= WATCH_S:
                yield from self._measure()
        self._out.append(Down(self._lost or f"registration lost (+CEREG {self._stat})"))
