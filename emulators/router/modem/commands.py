"""What each AT command does and answers. Layer: modem hardware, pure.

3GPP TS 27.007 (clause beside each command). A handler returns the information lines; `PENDING` when the final result
code comes later (commands that talk to the network); it raises Cme for an error. Effects on the radio are appended to
`state.effects`. GERAN and UTRAN are not built into this modem: +CREG and +CGREG report 0, +CSQ derives from LTE.

Not here: lines, echo, result codes (machine.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from emulators.common import causes, signal_report
from emulators.common.identifiers import encode_apn, encode_iccid
from emulators.router.modem import nas
from emulators.router.modem.at_text import Command
from emulators.router.modem.card import Card
from emulators.router.modem.nas import Effect, Nas

MAX_CONTEXTS = 8  # the bench's own
EF_ICCID, READ_BINARY = "12258", "176"  # 0x2FE2: ETSI TS 102 221 clause 13.2; TS 27.007 clause 8.18
AUTH_PROTOCOLS = {"0": "none", "1": "pap", "2": "chap"}  # TS 27.007 clause 10.1.31
PDP_TYPES = ("IP", "IPV6", "IPV4V6")
E_UTRAN = 7  # <AcT>, TS 27.007 clause 7.3
PENDING = None


class Cme(Exception):
    """An error answer: the +CME ERROR number."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(causes.CME_TEXTS.get(number, str(number)))


@dataclass(frozen=True, slots=True)
class Context:
    """A PDP context as +CGDCONT and +CGAUTH define it."""

    pdn_type: str = "IP"
    apn: str = ""
    auth: str = "none"
    user: str = ""
    password: str = field(default="", repr=False)


@dataclass(slots=True)
class State:
    """What the commands work on. `cards`: slot number from 1; a slot without a key is empty."""

    nas: Nas
    cards: dict[int, Card]
    slots: int
    imei: str
    slot: int = 1
    cfun: int = 1
    cmee: int = 0
    reports: dict[str, int] = field(default_factory=lambda: {"+CREG": 0, "+CGREG": 0, "+CEREG": 0, "+CGEREP": 0})
    operator_format: int = 0
    contexts: dict[int, Context] = field(default_factory=dict)
    effects: list[Effect] = field(default_factory=list)

    def card(self) -> Card:
        """Return the card in use. Raises: Cme."""
        if self.cfun == 0:
            raise Cme(causes.CME_NOT_ALLOWED)
        card = self.cards.get(self.slot)
        if card is None:
            raise Cme(causes.CME_SIM_NOT_INSERTED)
        if card.is_dead:
            raise Cme(causes.CME_SIM_FAILURE)
        return card

    def open_card(self) -> Card:
        """Return the card in use if it lets us in. Raises: Cme."""
        card = self.card()
        if card.state != "READY":
            raise Cme(causes.CME_SIM_PIN_REQUIRED if card.state == "SIM PIN" else causes.CME_SIM_PUK_REQUIRED)
        return card

    def start_radio(self, now_s: float) -> None:
        """Attach if there is an open card and nothing forbids it (+COPS mode 0: automatic)."""
        card = self.cards.get(self.slot)
        if self.cfun == 1 and card and card.state == "READY" and self.nas.imsi is None:
            self.effects += self.nas.start(card.imsi, now_s)


Answer = tuple[str, ...] | None
Handler = Callable[[State, Command, float], Answer]


def _number(text: str, low: int, high: int) -> int:
    if not text.isdigit() or not low <= int(text) <= high:
        raise Cme(causes.CME_INCORRECT_PARAMETERS)
    return int(text)


def _arg(command: Command, index: int) -> str:
    return command.args[index] if index < len(command.args) else ""


def _cpin(state: State, command: Command, now_s: float) -> Answer:
    """+CPIN, clause 8.3."""
    card = state.card()
    if command.form == "read":
        return (f"+CPIN: {card.state}",)
    if card.state == "SIM PUK":
        error = card.enter_puk(command.args[0], _arg(command, 1))
    else:
        error = card.enter_pin(command.args[0])
    if error is not None:
        raise Cme(error)
    state.start_radio(now_s)
    return ()


def _cpinr(state: State, command: Command, now_s: float) -> Answer:
    """+CPINR, clause 8.65: tries left."""
    card, wanted = state.card(), _arg(command, 0)
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
    kind = _number(_arg(command, 0) or "0", 0, 3)
    return (
        state.imei if kind == 0 else '+CGSN: "' + (state.imei, state.imei[:14] + "00", "00")[kind - 1] + '"',
    )


def _csus(state: State, command: Command, now_s: float) -> Answer:
    """+CSUS, clause 8.66: choose the card slot, from 0; an error while a card is active (so +CFUN=0 first)."""
    if command.form == "test":
        return (f"+CSUS: ({state.slots})",)
    if command.form == "read":
        return (f"+CSUS: {state.slot - 1}",)
    slot = _number(_arg(command, 0), 0, state.slots - 1) + 1
    if state.cfun != 0:
        raise Cme(causes.CME_NOT_ALLOWED)
    state.slot = slot
    return ()


def _cfun(state: State, command: Command, now_s: float) -> Answer:
    """+CFUN, clause 8.2: 0 minimum (card off too), 1 full, 4 radio off."""
    if command.form == "read":
        return (f"+CFUN: {state.cfun}",)
    level = _number(_arg(command, 0), 0, 4)
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
    mode = _number(_arg(command, 0), 0, 4)
    if mode == 3:
        state.operator_format = _number(_arg(command, 1), 0, 2)
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
    state.reports[command.name] = _number(_arg(command, 0) or "0", 0, 3)
    return ()


def _cgerep(state: State, command: Command, now_s: float) -> Answer:
    """+CGEREP, clause 10.1.19: packet domain event reporting."""
    if command.form == "read":
        return (f"+CGEREP: {state.reports['+CGEREP']},0",)
    state.reports["+CGEREP"] = _number(_arg(command, 0) or "0", 0, 2)
    return ()


def _cgatt(state: State, command: Command, now_s: float) -> Answer:
    """+CGATT, clause 10.1.9."""
    if command.form == "read":
        return (f"+CGATT: {int(state.nas.is_registered)}",)
    if _number(_arg(command, 0), 0, 1) == 0:
        state.effects += state.nas.stop()
        return ()
    state.open_card()
    state.start_radio(now_s)
    if state.nas.is_registered:
        return ()
    if state.nas.stat == nas.DENIED:
        raise Cme(causes.cme_of_emm(state.nas.reject_cause))
    return PENDING


def _cgdcont(state: State, command: Command, now_s: float) -> Answer:
    """+CGDCONT, clause 10.1.1."""
    if command.form == "read":
        return tuple(f'+CGDCONT: {c},"{x.pdn_type}","{x.apn}","",0,0' for c, x in sorted(state.contexts.items()))
    cid = _number(_arg(command, 0), 1, MAX_CONTEXTS)
    if state.nas.cid == cid:
        raise Cme(causes.CME_NOT_ALLOWED)
    if len(command.args) == 1:
        state.contexts.pop(cid, None)
        return ()
    pdn_type, apn = _arg(command, 1).upper() or "IP", _arg(command, 2)
    if pdn_type not in PDP_TYPES:
        raise Cme(causes.CME_INCORRECT_PARAMETERS)
    if apn:
        try:
            encode_apn(apn)
        except ValueError as error:
            raise Cme(causes.CME_INCORRECT_PARAMETERS) from error
    state.contexts[cid] = replace(state.contexts.get(cid, Context()), pdn_type=pdn_type, apn=apn)
    return ()


def _cgauth(state: State, command: Command, now_s: float) -> Answer:
    """+CGAUTH, clause 10.1.31. Reading never shows a password."""
    if command.form == "read":
        codes = {name: code for code, name in AUTH_PROTOCOLS.items()}
        return tuple(f'+CGAUTH: {c},{codes[x.auth]},"{x.user}",""' for c, x in sorted(state.contexts.items()))
    cid = _number(_arg(command, 0), 1, MAX_CONTEXTS)
    if cid not in state.contexts:
        raise Cme(causes.CME_INVALID_INDEX)
    auth = AUTH_PROTOCOLS.get(_arg(command, 1) or "0")
    if auth is None:
        raise Cme(causes.CME_INCORRECT_PARAMETERS)
    user, password = ("", "") if auth == "none" else (_arg(command, 2), _arg(command, 3))
    state.contexts[cid] = replace(state.contexts[cid], auth=auth, user=user, password=password)
    return ()


def _cgact(state: State, command: Command, now_s: float) -> Answer:
    """+CGACT, clause 10.1.10. This modem has one data interface: a second activation is ESM #65."""
    if command.form == "read":
        return tuple(f"+CGACT: {cid},{int(cid == state.nas.cid)}" for cid in sorted(state.contexts))
    wanted = _number(_arg(command, 0), 0, 1)
    cid = _number(_arg(command, 1) or "1", 1, MAX_CONTEXTS)
    context = state.contexts.get(cid)
    if context is None:
        raise Cme(causes.CME_INVALID_INDEX)
    if not wanted:
        if state.nas.cid == cid:
            state.effects += state.nas.deactivate()
        return ()
    state.open_card()
    if state.nas.cid == cid:
        return ()
    if state.nas.cid is not None:
        raise Cme(causes.cme_of_esm(65))
    state.start_radio(now_s)
    request = nas.PdnRequest(cid, context.apn, context.pdn_type, context.auth, context.user, context.password)
    state.effects += state.nas.activate(request, now_s)
    return PENDING


def _cgcontrdp(state: State, command: Command, now_s: float) -> Answer:
    """+CGCONTRDP, clause 10.1.23: address and mask as one dotted string, P-CSCF and flags empty, then the MTU."""
    bearer = state.nas.bearer
    if bearer is None or (command.form == "set" and _arg(command, 0) not in ("", str(state.nas.cid))):
        return ()
    dns = (*bearer.dns, "", "")[:2]
    return (
        f'+CGCONTRDP: {state.nas.cid},{bearer.bearer_id},"{bearer.apn}","{bearer.address}.255.255.255.255",'
        f'"{bearer.gateway}","{dns[0]}","{dns[1]}","","",0,0,{bearer.mtu}',
    )


def _cesq(state: State, command: Command, now_s: float) -> Answer:
    """+CESQ, clause 8.69."""
    cell = state.nas.cell
    if cell is None:
        return ("+CESQ: 99,99,255,255,255,255",)
    rsrq, rsrp = signal_report.rsrq_index(cell.rsrq_db), signal_report.rsrp_index(cell.rsrp_dbm)
    return (f"+CESQ: 99,99,255,255,{rsrq},{rsrp}",)


def _csq(state: State, command: Command, now_s: float) -> Answer:
    """+CSQ, clause 8.5."""
    cell = state.nas.cell
    if cell is None:
        return ("+CSQ: 99,99",)
    return (f"+CSQ: {signal_report.rssi_index(signal_report.rssi_dbm(cell.rsrp_dbm, cell.rsrq_db))},99",)


def _cmee(state: State, command: Command, now_s: float) -> Answer:
    """+CMEE, clause 9.1."""
    if command.form == "read":
        return (f"+CMEE: {state.cmee}",)
    state.cmee = _number(_arg(command, 0) or "0", 0, 2)
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
    "+CGDCONT": (frozenset({"set", "read"}), _cgdcont),
    "+CGAUTH": (frozenset({"set", "read"}), _cgauth),
    "+CGACT": (frozenset({"set", "read"}), _cgact),
    "+CGCONTRDP": (frozenset({"set", "do"}), _cgcontrdp),
    "+CESQ": (frozenset({"do"}), _cesq),
    "+CSQ": (frozenset({"do"}), _csq),
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
