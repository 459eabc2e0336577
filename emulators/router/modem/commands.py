"""What each AT command does and answers. Layer: modem hardware, pure.

3GPP TS 27.007 (clause beside each command). A handler returns the information lines; `PENDING` when the final result
code comes later (commands that talk to the network); it raises Cme for an error. Effects on the radio are appended to
`state.effects`. GERAN and UTRAN are not built into this modem: +CREG and +CGREG report 0, +CSQ derives from LTE.

Not here: lines, echo, result codes (machine.py), PDP contexts (context_commands.py).
"""

from __future__ import annotations

from emulators.common import causes, signal_report
from emulators.common.identifiers import encode_iccid
from emulators.router.modem import nas
from emulators.router.modem.antennas import combine_ports, measure_ports
from emulators.router.modem.at_text import Command
from emulators.router.modem.context_commands import cgact, cgauth, cgcontrdp, cgdcont
from emulators.router.modem.state import PENDING, Answer, Cme, Handler, State, arg, number

EF_ICCID, READ_BINARY = "12258", "176"  # 0x2FE2: ETSI TS 102 221 clause 13.2; TS 27.007 clause 8.18
E_UTRAN = 7  # <AcT>, TS 27.007 clause 7.3


def _cpin(state: State, command: Command, now_s: float) -> Answer:
    """+CPIN, clause 8.3."""
    card = state.card()
    if command.form == "read":
        return (f"+CPIN: {card.state}",)
    if card.state == "SIM PUK":
        error = card.enter_puk(command.args[0], arg(command, 1))
    else:
        error = card.enter_pin(command.args[0])
    if error is not None:
        raise Cme(error)
    state.start_radio(now_s)
    return ()


def _cpinr(state: State, command: Command, now_s: float) -> Answer:
    """+CPINR, clause 8.65: tries left."""
    card, wanted = state.card(), arg(command, 0)
    rows = {"SIM PIN": (card.pin_tries, 3), "SIM PUK": (card.puk_tries, 10)}
    return tuple(f"+CPINR: {code},{left},{most}" for code, (left, most) in rows.items() if wanted in ("", code))


def _crsm(state: State, command: Command, now_s: float) -> Answer:
    """+CRSM, clause 8.18; only READ BINARY of EF_ICCID, which needs no PIN (TS 102 221 clause 13.2)."""
    card = state.card()
    if command.args[:2] != (READ_BINARY, EF_ICCID):
        return ("+CRSM: 106,130",)  # SW 6A82, file not found: TS 102 221 clause 10.2.1.5.4
    return (f'+CRSM: 144,0,"{encode_iccid(card.iccid)}"',)


def _cimi(state: State, command: Command, now_s: float) -> Answer:
    """+CIMI, clause 5.6."""
    return (state.open_card().imsi,)


def _cgsn(state: State, command: Command, now_s: float) -> Answer:
    """+CGSN, clause 5.4: 0 serial number (here the IMEI), 1 IMEI, 2 IMEISV, 3 SVN."""
    kind = number(arg(command, 0) or "0", 0, 3)
    return (state.imei if kind == 0 else '+CGSN: "' + (state.imei, state.imei[:14] + "00", "00")[kind - 1] + '"',)


def _csus(state: State, command: Command, now_s: float) -> Answer:
    """+CSUS, clause 8.66: choose the card slot, from 0; an error while a card is active (so +CFUN=0 first)."""
    if command.form == "test":
        return (f"+CSUS: ({state.slots})",)
    if command.form == "read":
        return (f"+CSUS: {state.slot - 1}",)
    slot = number(arg(command, 0), 0, state.slots - 1) + 1
    if state.cfun != 0:
        raise Cme(causes.CME_NOT_ALLOWED)
    state.slot = slot
    return ()


def _cfun(state: State, command: Command, now_s: float) -> Answer:
    """+CFUN, clause 8.2: 0 minimum (card off too), 1 full, 4 radio off."""
    if command.form == "read":
        return (f"+CFUN: {state.cfun}",)
    level = number(arg(command, 0), 0, 4)
    if level not in (0, 1, 4):
        raise Cme(causes.CME_NOT_SUPPORTED)
    if level != 1:
        state.effects += state.nas.stop()
    if level == 0:
        for card in state.cards.values():
            card.cut_power()
    state.cfun = level
    state.start_radio(now_s)
    return ()


def _cops(state: State, command: Command, now_s: float) -> Answer:
    """+COPS, clause 7.3: modes 0 (automatic), 2 (deregister), 3 (format)."""
    if command.form == "read":
        if not state.nas.is_registered or state.nas.cell is None:
            return ("+COPS: 0",)
        name = state.nas.cell.plmn.replace("-", "") if state.operator_format == 2 else "Skerry Test Network"
        return (f'+COPS: 0,{state.operator_format},"{name}",{E_UTRAN}',)
    mode = number(arg(command, 0), 0, 4)
    if mode == 3:
        state.operator_format = number(arg(command, 1), 0, 2)
    elif mode == 2:
        state.effects += state.nas.stop()
    elif mode == 0:
        state.open_card()
        state.start_radio(now_s)
    else:
        raise Cme(causes.CME_NOT_SUPPORTED)
    return ()


def registration_line(state: State, name: str, *, unsolicited: bool) -> str:
    """Return the +CEREG (clause 10.1.22), +CREG (7.2) or +CGREG (10.1.20) line."""
    n, link = state.reports[name], state.nas
    stat = link.stat if name == "+CEREG" else nas.IDLE
    text = f"{name}: {stat}" if unsolicited else f"{name}: {n},{stat}"
    if n >= 2 and stat in (nas.HOME, nas.ROAMING) and link.cell:
        return f'{text},"{link.cell.tac}","{link.cell.cell_id}",{E_UTRAN}'
    if n >= 3 and stat in (nas.SEARCHING, nas.DENIED) and link.reject_cause:
        return f"{text},,,,0,{link.reject_cause}"  # cause_type 0: an EMM cause
    return text


def _reg(state: State, command: Command, now_s: float) -> Answer:
    if command.form == "test":
        return (f"{command.name}: (0-3)",)
    if command.form == "read":
        return (registration_line(state, command.name, unsolicited=False),)
    state.reports[command.name] = number(arg(command, 0) or "0", 0, 3)
    return ()


def _cgerep(state: State, command: Command, now_s: float) -> Answer:
    """+CGEREP, clause 10.1.19: packet domain event reporting."""
    if command.form == "read":
        return (f"+CGEREP: {state.reports['+CGEREP']},0",)
    state.reports["+CGEREP"] = number(arg(command, 0) or "0", 0, 2)
    return ()


def _cgatt(state: State, command: Command, now_s: float) -> Answer:
    """+CGATT, clause 10.1.9."""
    if command.form == "read":
        return (f"+CGATT: {int(state.nas.is_registered)}",)
    if number(arg(command, 0), 0, 1) == 0:
        state.effects += state.nas.stop()
        return ()
    state.open_card()
    state.start_radio(now_s)
    if state.nas.is_registered:
        return ()
    if state.nas.stat == nas.DENIED:
        raise Cme(causes.cme_of_emm(state.nas.reject_cause))
    return PENDING


def _cesq(state: State, command: Command, now_s: float) -> Answer:
    """+CESQ, clause 8.69."""
    cell = state.nas.cell
    if cell is None:
        return ("+CESQ: 99,99,255,255,255,255",)
    rsrp_dbm = combine_ports(measure_ports(cell.rsrp_dbm, state.losses_db))
    rsrq, rsrp = signal_report.rsrq_index(cell.rsrq_db), signal_report.rsrp_index(rsrp_dbm)
    return (f"+CESQ: 99,99,255,255,{rsrq},{rsrp}",)


def _csq(state: State, command: Command, now_s: float) -> Answer:
    """+CSQ, clause 8.5."""
    cell = state.nas.cell
    if cell is None:
        return ("+CSQ: 99,99",)
    rsrp_dbm = combine_ports(measure_ports(cell.rsrp_dbm, state.losses_db))
    return (f"+CSQ: {signal_report.rssi_index(signal_report.rssi_dbm(rsrp_dbm, cell.rsrq_db))},99",)


def _bports(state: State, command: Command, now_s: float) -> Answer:
    """+BPORTS, this modem's own (27.007 has one RSRP only; modems of the trade have a command for it, common practice):
    RSRP at each antenna port, coded as in +CESQ."""
    cell = state.nas.cell
    if cell is None:
        return ("+BPORTS: " + ",".join(["255"] * len(state.losses_db)),)
    ports = measure_ports(cell.rsrp_dbm, state.losses_db)
    return ("+BPORTS: " + ",".join(str(signal_report.rsrp_index(port)) for port in ports),)


def _cmee(state: State, command: Command, now_s: float) -> Answer:
    """+CMEE, clause 9.1."""
    if command.form == "read":
        return (f"+CMEE: {state.cmee}",)
    state.cmee = number(arg(command, 0) or "0", 0, 2)
    return ()


def _identify(text: str) -> Handler:
    return lambda state, command, now_s: (text,)


# Command name: forms besides the test form, handler. A test form that none knows answers OK.
TABLE: dict[str, tuple[frozenset[str], Handler]] = {
    "+CMEE": (frozenset({"set", "read"}), _cmee),
    "+CPIN": (frozenset({"set", "read"}), _cpin),
    "+CPINR": (frozenset({"set", "do"}), _cpinr),
    "+CRSM": (frozenset({"set"}), _crsm),
    "+CIMI": (frozenset({"do"}), _cimi),
    "+CGSN": (frozenset({"do", "set"}), _cgsn),
    "+CSUS": (frozenset({"set", "read", "test"}), _csus),
    "+CFUN": (frozenset({"set", "read"}), _cfun),
    "+COPS": (frozenset({"set", "read"}), _cops),
    "+CREG": (frozenset({"set", "read", "test"}), _reg),
    "+CGREG": (frozenset({"set", "read", "test"}), _reg),
    "+CEREG": (frozenset({"set", "read", "test"}), _reg),
    "+CGEREP": (frozenset({"set", "read"}), _cgerep),
    "+CGATT": (frozenset({"set", "read"}), _cgatt),
    "+CGDCONT": (frozenset({"set", "read"}), cgdcont),
    "+CGAUTH": (frozenset({"set", "read"}), cgauth),
    "+CGACT": (frozenset({"set", "read"}), cgact),
    "+CGCONTRDP": (frozenset({"set", "do"}), cgcontrdp),
    "+CESQ": (frozenset({"do"}), _cesq),
    "+CSQ": (frozenset({"do"}), _csq),
    "+BPORTS": (frozenset({"do"}), _bports),
    "+CGMI": (frozenset({"do"}), _identify("branchproof")),
    "+CGMM": (frozenset({"do"}), _identify("bench modem")),
    "+CGMR": (frozenset({"do"}), _identify("1")),
}


def obey(state: State, command: Command, now_s: float) -> Answer:
    """Run one extended command. Raises: Cme; KeyError for a command that the modem does not have."""
    forms, handler = TABLE[command.name]
    if command.form not in forms:
        if command.form == "test":
            return ()
        raise Cme(causes.CME_NOT_SUPPORTED)
    return handler(state, command, now_s)
