"""AT commands of PDP contexts: what is asked for, and what was given. Layer: modem hardware, pure.

3GPP TS 27.007, clause beside each command. Not here: the other commands and the table (commands.py).
"""

from __future__ import annotations

from dataclasses import replace

from emulators.common import causes
from emulators.common.identifiers import encode_apn
from emulators.router.modem import nas
from emulators.router.modem.at_text import Command
from emulators.router.modem.state import PENDING, Answer, Cme, Context, State, arg, number

MAX_CONTEXTS = 8  # the bench's own
AUTH_PROTOCOLS = {"0": "none", "1": "pap", "2": "chap"}  # TS 27.007 clause 10.1.31
PDP_TYPES = ("IP", "IPV6", "IPV4V6")


def cgdcont(state: State, command: Command, now_s: float) -> Answer:
    """+CGDCONT, clause 10.1.1."""
    if command.form == "read":
        return tuple(f'+CGDCONT: {c},"{x.pdn_type}","{x.apn}","",0,0' for c, x in sorted(state.contexts.items()))
    cid = number(arg(command, 0), 1, MAX_CONTEXTS)
    if state.nas.cid == cid:
        raise Cme(causes.CME_NOT_ALLOWED)
    if len(command.args) == 1:
        state.contexts.pop(cid, None)
        return ()
    pdn_type, apn = arg(command, 1).upper() or "IP", arg(command, 2)
    if pdn_type not in PDP_TYPES:
        raise Cme(causes.CME_INCORRECT_PARAMETERS)
    if apn:
        try:
            encode_apn(apn)
        except ValueError as error:
            raise Cme(causes.CME_INCORRECT_PARAMETERS) from error
    state.contexts[cid] = replace(state.contexts.get(cid, Context()), pdn_type=pdn_type, apn=apn)
    return ()


def cgauth(state: State, command: Command, now_s: float) -> Answer:
    """+CGAUTH, clause 10.1.31. Reading never shows a password."""
    if command.form == "read":
        codes = {name: code for code, name in AUTH_PROTOCOLS.items()}
        return tuple(f'+CGAUTH: {c},{codes[x.auth]},"{x.user}",""' for c, x in sorted(state.contexts.items()))
    cid = number(arg(command, 0), 1, MAX_CONTEXTS)
    if cid not in state.contexts:
        raise Cme(causes.CME_INVALID_INDEX)
    auth = AUTH_PROTOCOLS.get(arg(command, 1) or "0")
    if auth is None:
        raise Cme(causes.CME_INCORRECT_PARAMETERS)
    user, password = ("", "") if auth == "none" else (arg(command, 2), arg(command, 3))
    state.contexts[cid] = replace(state.contexts[cid], auth=auth, user=user, password=password)
    return ()


def cgact(state: State, command: Command, now_s: float) -> Answer:
    """+CGACT, clause 10.1.10. This modem has one data interface: a second activation is ESM #65."""
    if command.form == "read":
        return tuple(f"+CGACT: {cid},{int(cid == state.nas.cid)}" for cid in sorted(state.contexts))
    wanted = number(arg(command, 0), 0, 1)
    cid = number(arg(command, 1) or "1", 1, MAX_CONTEXTS)
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


def cgcontrdp(state: State, command: Command, now_s: float) -> Answer:
    """+CGCONTRDP, clause 10.1.23: address and mask as one dotted string, P-CSCF and flags empty, then the MTU."""
    bearer = state.nas.bearer
    if bearer is None or (command.form == "set" and arg(command, 0) not in ("", str(state.nas.cid))):
        return ()
    dns = (*bearer.dns, "", "")[:2]
    return (
        f'+CGCONTRDP: {state.nas.cid},{bearer.bearer_id},"{bearer.apn}","{bearer.address}.255.255.255.255",'
        f'"{bearer.gateway}","{dns[0]}","{dns[1]}","","",0,0,{bearer.mtu}',
    )
