"""logs_reach_hq: HQ's log server gets the router's messages under the branch's host name (RFC 5424 section 6.2.4), by
the transport of the profile, from the stated severity on and none below it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from emulators.common.log_events import SEVERITIES
from harness.checks._disturb import GATEWAY
from harness.checks._logs import list_current, list_messages, message, rank
from harness.checks._shared import HQ, find_address_for_hq
from harness.core.entries import Check, Evidence, Example, Seen, Spoil, hold, leave_open, set_aside
from harness.core.model import Ask, Finding, Plan
from harness.core.references import OPERATOR_KEY, to_reference
from harness.core.sample import answered, build_plan, saw
from harness.core.sections import Logging

NAME = "logs_reach_hq"
LOG_IN, TRY_S = f"{NAME}.log_in", 10.0
WAIT_S = 30.0
BEATS, MOST_BEATS = 2, 5
"""The device writes a message of severity debug with each heartbeat that is answered: by the second the first one's
would have arrived; after the fifth nothing more is to be hoped for."""


def why_not(plan: Plan) -> str | None:
    return None if plan.branch.logging else "the profile sets no log server"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    """The operator logs in, so that there is something to tell: a notice, and remarks of severity info."""
    administration, address = plan.branch.administration, find_address_for_hq(plan)
    if administration is None or address is None or "hq" not in administration.reach_from:
        return ()
    if "key" not in administration.methods:
        return ()
    key = to_reference(OPERATOR_KEY)
    args = {"target": address, "user": administration.user, "key_pem": key, "timeout_s": TRY_S}
    return (Ask(HQ, "ssh", args, LOG_IN),)


def _list_beats(evidence: Evidence, messages: Sequence[Seen]) -> tuple[Seen, ...]:
    """Return the heartbeats since the first message, or where there is none since the tunnel was up."""
    begin = (*messages[:1], *evidence.find_all(GATEWAY, "child.installed")[:1])
    if not begin:
        return ()
    since_ns = begin[0].at_ns
    return tuple(s for s in evidence.find_all("management", "heartbeat.received") if s.at_ns >= since_ns)


def find_enough(plan: Plan, evidence: Evidence) -> Seen | None:
    """Return what came last of that which is awaited: a message of the least severity, and heartbeats."""
    messages = list_current(list_messages(plan, evidence))
    beats = _list_beats(evidence, messages)
    least = _least(plan)
    exact = next((s for s in messages if rank(s) == least), None)
    if len(beats) < (BEATS if exact is not None else MOST_BEATS):
        return None
    seen = [*beats[:BEATS], exact] if exact is not None else [*beats[:MOST_BEATS]]
    return max((s for s in seen if s is not None), key=lambda s: s.at_ns)


def _least(plan: Plan) -> int:
    logging = plan.branch.logging
    return SEVERITIES.index(logging.least) if logging else len(SEVERITIES)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    logging, messages = plan.branch.logging, list_current(list_messages(plan, evidence))
    assert logging is not None
    return (
        _judge_arrival(plan, evidence, logging, messages),
        _judge_form(evidence, messages),
        _judge_least(logging, messages),
        _judge_below(evidence, logging, messages),
    )


def _judge_arrival(plan: Plan, evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> Finding:
    claim = f"the router's log messages reach HQ by {logging.transport.upper()}"
    expected = f"a message with host name {plan.branch.hostname} by {logging.transport}"
    right = [s for s in messages if s.data.get("transport") == logging.transport]
    if right:
        first = right[0]
        return hold(NAME, True, claim, expected, f"{first.data.get('app')}: {first.data.get('text')}", [first])
    others = evidence.find_all(HQ, "log.received")
    names = sorted({f"{s.data.get('hostname')} by {s.data.get('transport')}" for s in others})
    return hold(NAME, False, claim, expected, f"only messages of {', '.join(names)}" if names else "nothing", others)


def _judge_form(evidence: Evidence, messages: Sequence[Seen]) -> Finding:
    claim, expected = "every message that arrives is one of RFC 5424", "none that the log server cannot read"
    wrong = evidence.find_all(HQ, "log.rejected")
    if wrong:
        return hold(NAME, False, claim, expected, f"{len(wrong)}: {wrong[0].data.get('error')}", wrong[:5])
    if not messages:
        return leave_open(NAME, claim, expected, "nothing: no message arrived")
    return hold(NAME, True, claim, expected, f"{len(messages)} messages, all read", messages[:1])


def _judge_least(logging: Logging, messages: Sequence[Seen]) -> Finding:
    claim = f"messages of the least severity, {logging.least}, arrive"
    expected = f"a message of severity {logging.least}"
    exact = [s for s in messages if s.data.get("severity") == logging.least]
    if exact:
        return hold(NAME, True, claim, expected, f"{exact[0].data.get('app')}: {exact[0].data.get('text')}", exact[:1])
    if logging.least in ("emerg", "alert", "crit", "err"):
        return set_aside(NAME, claim, f"the device has nothing of severity {logging.least} to tell while all is well")
    return hold(NAME, False, claim, expected, f"nothing of it among {len(messages)} messages", messages)


def _judge_below(evidence: Evidence, logging: Logging, messages: Sequence[Seen]) -> Finding:
    claim, expected = f"messages below {logging.least} stay on the device", "none"
    if logging.least == SEVERITIES[-1]:
        return set_aside(NAME, claim, f"no severity is below {logging.least}")
    below = [s for s in messages if rank(s) > SEVERITIES.index(logging.least)]
    if below:
        told = f"{len(below)}, such as {below[0].data.get('severity')}: {below[0].data.get('text')}"
        return hold(NAME, False, claim, expected, told, below[:5])
    beats = _list_beats(evidence, messages)
    if len(beats) < BEATS or not messages:
        return leave_open(NAME, claim, expected, "nothing was written below it that we know of", beats)
    seen = f"none, though the device wrote one with each of {len(beats)} heartbeats"
    return hold(NAME, True, claim, expected, seen, beats[:BEATS])


# ---------------------------------------------------------------- weakenings


def list_spoils(plan: Plan) -> tuple[Spoil, ...]:
    logging = plan.branch.logging
    if logging is None:
        return ()
    place = SEVERITIES.index(logging.least)
    lower, higher = SEVERITIES[min(place + 1, 7)], SEVERITIES[max(place - 1, 0)]
    other = {"udp": "tcp", "tcp": "udp", "tls": "tcp"}[logging.transport]
    spoils = [
        _set("the least severity a step lower", "least", lower),
        _set("the least severity a step higher", "least", higher),
        _set("only errors are logged", "least", "err"),
        _set("another log server", "server", "198.18.0.1"),
        _set("another port of the log server", "port", logging.port + 1),
        _set(f"the log by {other}", "transport", other),
        Spoil("no log server", "logging", lambda config: config.update(logging=None)),
    ]
    return tuple(spoils if lower != logging.least else spoils[1:])


def _set(title: str, key: str, value: Any) -> Spoil:
    return Spoil(title, f"logging.{key}", lambda config: config["logging"].update({key: value}))


# Contents from memory for NIST SP 800-53.
CHECK = Check(
    name=NAME,
    order=50,
    title="The router's log reaches HQ",
    after="tunnel_up",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=WAIT_S,
    awaits=find_enough,
    adds_s=lambda plan: MOST_BEATS * plan.branch.heartbeat_s,
    clauses=("PCI DSS 4.0.1 10.2.1", "PCI DSS 4.0.1 10.3.3", "45 CFR 164.312(b)", "NIST SP 800-53 AU-4"),
    spoils=list_spoils,
)


def _beats(*at_s: float) -> list[Any]:
    """The operator's log-in, and heartbeats."""
    log_in = answered(HQ, LOG_IN, 2.5, {"outcome": "connected"})
    return [log_in, *(saw("management", "heartbeat.received", at, serial="SK-000017") for at in at_s)]


_GOOD = message(3.0, 1, "info", app="charon")
EXAMPLES = (
    Example("messages come", "PASS", (_GOOD, message(3.5, 2, "notice"), *_beats(4.0, 6.0))),
    Example("one below the least comes", "FAIL", (_GOOD, message(5.0, 2, "debug"), *_beats(4.0, 6.0))),
    Example(
        "none of the least severity comes", "FAIL", (message(3.0, 1, "notice"), *_beats(4.0, 6.0, 8.0, 10.0, 12.0))
    ),
    Example(
        "one below came under the configuration before",
        "PASS",
        (message(2.0, 70, "debug"), _GOOD, message(3.5, 2, "notice"), *_beats(4.0, 6.0)),
    ),
    Example("by another transport", "FAIL", (message(3.0, 1, "info", transport="tcp"), *_beats(4.0, 6.0))),
    Example("one cannot be read", "FAIL", (_GOOD, saw(HQ, "log.rejected", 3.2, error="no header"), *_beats(4.0, 6.0))),
    Example("under another name", "FAIL", (message(3.0, 1, "info", hostname="localhost"), *_beats(4.0, 6.0))),
    Example("none comes", "FAIL", (*_beats(4.0, 6.0),)),
    Example("no heartbeat: nothing below was written", "INCONCLUSIVE", (_GOOD, *_beats())),
    Example("heartbeats are far apart", "PASS", (_GOOD, *_beats(33.0, 63.0)), build_plan(heartbeat_s=30.0)),
    Example("the profile sets no log server", "NOT_APPLICABLE", (), build_plan(logging=None)),
)
