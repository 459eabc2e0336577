"""applications: of the internet, clients behind the application firewall can use what is allowed, and nothing else.

Each allowed application is used, and what is near to it is tried: its server by another name or none, its name at
another port, by QUIC, by plain HTTP, by something that is no TLS, names that look like its own, and a ClientHello cut
into segments and into records. A try that must not work counts only where the same try works for those who are not
behind the firewall: a client of another segment, where there is one, and the internet's own node. The servers witness
that no whole request of a refused try reached them. All clients try what must work before the others come to the
servers, so that a witness's list tells whose it is.

A server is known by the name that a client says (RFC 6066 section 3): one that says an allowed name to another server
is let through, and this check does not claim otherwise. Clauses of NIST SP 800-53 are from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from emulators.common.controls import Application, Applications, Reach
from harness.checks._application_spoils import list_spoils
from harness.checks._application_tries import (
    FORGET,
    NAME,
    SEEN,
    AppTry,
    act,
    find_free,
    label_tries,
    list_bound,
    list_client_tries,
    list_controls,
)
from harness.checks._vantages import INTERNET_NODE, find_lease
from harness.core.app_names import find_host
from harness.core.entries import Answer, Check, Evidence, Example, Spoil, as_list, find_broken, hold, leave_open
from harness.core.model import Finding, Observation, Plan
from harness.core.sample import answered, build_plan
from harness.core.sections import Segment
from harness.stages._shared import label_lease

ANSWERED = "answered"
OUTCOMES = (ANSWERED, "refused", "silent", "unresolved")
"""All that the probe can say; any other word, or none, is no refusal."""


def why_not(plan: Plan) -> str | None:
    control = plan.branch.applications
    if control is None:
        return "the profile sets no application firewall"
    return None if list_bound(plan) else "no client stands in a segment behind the application firewall"


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    control = plan.branch.applications
    if control is None:
        return ()
    findings: list[Finding] = []
    for client, segment in list_bound(plan):
        findings += _judge_client(plan, control, client, segment, evidence)
    findings.append(_judge_servers(plan, control, evidence))
    free = find_free(plan)
    if free is not None:
        findings.append(_judge_free(plan, free, evidence))
    return tuple(findings)


def _judge_client(
    plan: Plan, control: Applications, client: str, segment: Segment, evidence: Evidence
) -> Iterator[Finding]:
    who = f"{segment.name} ({client})"
    tries = list_client_tries(plan, segment)
    claim, expected = f"{who} can use what is allowed", "an answer to each try"
    broken = find_broken(evidence, NAME, claim, expected, label_tries(client))
    answer = evidence.find_answer(label_tries(client))
    outcomes = _read(answer, len(tries))
    if find_lease(evidence, client) is None:  # which is for others to judge: without one nothing is tried here
        yield leave_open(NAME, claim, expected, f"{client} has no lease")
        return
    if broken is not None or outcomes is None:
        yield broken or leave_open(NAME, claim, expected, _tell_missing(evidence, client), [answer])
        return
    for application in control.allowed:
        yield from _judge_allowed(who, application, tries, outcomes, answer)
    alive = _find_alive(plan, evidence)
    for one, outcome in zip(tries, outcomes, strict=True):
        if one.works:
            continue
        claim, expected = f"{who} cannot use {one.text}", "no answer"
        if one not in alive:
            yield leave_open(NAME, claim, expected, "the server answered nobody", [answer])
        elif outcome == "unresolved":
            yield leave_open(NAME, claim, expected, "its name was not resolved", [answer])
        else:
            yield hold(NAME, outcome != ANSWERED, claim, expected, outcome, [answer])


def _find_alive(plan: Plan, evidence: Evidence) -> set[AppTry]:
    """Return the tries that somebody who is not bound got an answer to."""
    free, alive = find_free(plan), set[AppTry]()
    for node in (INTERNET_NODE, *([free[0]] if free else [])):
        tries = list_controls(plan, node)
        outcomes = _read(evidence.find_answer(label_tries(node)), len(tries)) or ()
        alive |= {t for t, o in zip(tries, outcomes, strict=False) if o == ANSWERED}
    return alive


def _judge_allowed(
    who: str, application: Application, tries: tuple[AppTry, ...], outcomes: tuple[str, ...], answer: Answer | None
) -> Iterator[Finding]:
    begin = f"{application.name} ("
    mine = [(t, o) for t, o in zip(tries, outcomes, strict=True) if t.works and t.text.startswith(begin)]
    failed = [f"{t.text}: {o}" for t, o in mine if o != ANSWERED]
    if mine:
        claim = f"{who} can use {application.name}, {len(mine)} ways"
        yield hold(NAME, not failed, claim, "an answer each", "; ".join(failed[:3]) or "an answer each", [answer])


def _judge_servers(plan: Plan, control: Applications, evidence: Evidence) -> Finding:
    """What came to the servers while only bound clients tried: whole requests of allowed tries, and no others."""
    claim, expected = "no request that must not get through reached a server", "whole requests of allowed tries only"
    broken = find_broken(evidence, NAME, claim, expected, SEEN)
    answer = evidence.find_answer(SEEN)
    if broken is not None or answer is None or answer.get("alive") is not True:
        return broken or leave_open(NAME, claim, expected, "no witness", [answer])
    allowed = {
        ("tls" if t.kind == "tls" else t.kind, t.port, t.server_name if t.kind == "tls" else None)
        for _, segment in list_bound(plan)
        for t in list_client_tries(plan, segment)
        if t.works
    }
    seen = [one for one in as_list(answer.get("seen")) if isinstance(one, Mapping) and one.get("whole") is True]
    if not seen and _worked_by_tls(plan, evidence):
        return leave_open(NAME, claim, expected, "the witness saw not even what was answered", [answer])
    leaks = [one for one in seen if (one.get("kind"), one.get("port"), one.get("server_name")) not in allowed]
    told = [f"{one.get('kind')} to {one.get('address')}:{one.get('port')} ({one.get('server_name')})" for one in leaks]
    return hold(NAME, not leaks, claim, expected, "; ".join(told[:3]) or f"{len(seen)} of allowed tries", [answer])


def _worked_by_tls(plan: Plan, evidence: Evidence) -> bool:
    """Say whether a bound client finished a TLS exchange, which the servers' witness must have seen."""
    for client, segment in list_bound(plan):
        tries = list_client_tries(plan, segment)
        outcomes = _read(evidence.find_answer(label_tries(client)), len(tries)) or ()
        if any(t.kind == "tls" and o == ANSWERED for t, o in zip(tries, outcomes, strict=False)):
            return True
    return False


def _judge_free(plan: Plan, free: tuple[str, Segment], evidence: Evidence) -> Finding:
    client, segment = free
    tries = list_controls(plan, client)
    claim = f"{segment.name} ({client}), which is not behind the firewall, is not held back by it"
    expected = f"an answer to each of {len(tries)} tries"
    broken = find_broken(evidence, NAME, claim, expected, label_tries(client))
    answer = evidence.find_answer(label_tries(client))
    outcomes = _read(answer, len(tries))
    if broken is not None or outcomes is None:
        return broken or leave_open(NAME, claim, expected, _tell_missing(evidence, client), [answer])
    failed = [f"{t.text}: {o}" for t, o in zip(tries, outcomes, strict=True) if o != ANSWERED]
    return hold(NAME, not failed, claim, expected, "; ".join(failed[:3]) or "an answer each", [answer])


def _read(answer: Answer | None, count: int) -> tuple[str, ...] | None:
    results = as_list(answer.get("results")) if answer is not None and answer.ok else []
    outcomes = tuple(str(one.get("outcome")) for one in results if isinstance(one, Mapping))
    return outcomes if len(outcomes) == count and set(outcomes) <= set(OUTCOMES) else None


def _tell_missing(evidence: Evidence, client: str) -> str:
    lease = evidence.find_answer(label_lease(client))
    return f"{client} has no lease" if lease is None or not lease.ok else "not as many answers as tries"


# ---------------------------------------------------------------- the entry


def _list_spoils(plan: Plan) -> tuple[Spoil, ...]:
    control = plan.branch.applications
    bound = {segment.name for _, segment in list_bound(plan)}
    return list_spoils(control, bound) if control is not None else ()


CHECK = Check(
    name=NAME,
    order=60,
    title="Behind the application firewall, allowed applications work and nothing else does",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=40.0,
    clauses=(
        "PCI DSS 4.0.1 1.2.5",
        "PCI DSS 4.0.1 1.3.2",
        "PCI DSS 4.0.1 1.4.2",
        "NIST SP 800-53 AC-4",
        "NIST SP 800-53 CM-7",
        "NIST SP 800-53 SC-7",
        "NIST SP 800-53 SC-7(5)",
    ),
    spoils=_list_spoils,
)

_CONTROL = Applications(
    ("staff",),
    (
        Application("tickets", "tls", ("tcp/443",), ("tickets.skerry.example", ".shop.skerry.example")),
        Application("weather", "dns", ("udp/5000",), ("weather.skerry.example",)),
        Application("time", "port", ("udp/123",)),
    ),
)


def _build_plan(control: Applications | None = _CONTROL) -> Plan:
    plan = build_plan(applications=control)
    staff, *others = plan.branch.segments
    opened = replace(staff, reach=(*staff.reach, Reach("internet")))
    return replace(plan, branch=replace(plan.branch, segments=(opened, *others)))


_PLAN = _build_plan()
_BOUND, _FREE = "client1", "client2"
_WHOLE = {"kind": "tls", "address": find_host(_CONTROL, _CONTROL.allowed[0]), "port": 443, "whole": True}


def _play(
    change: Callable[[AppTry], str | None] = lambda one: None,
    own: Callable[[AppTry], str | None] = lambda one: None,
    free: Callable[[AppTry], str | None] = lambda one: None,
    seen: tuple[Mapping[str, Any], ...] = ({**_WHOLE, "server_name": "tickets.skerry.example"},),
    alive: bool = True,
) -> tuple[Observation, ...]:
    """Return a run as it should be, but for what `change` (bound), `own` (the node itself) and `free` say of a try."""

    def results(tries: tuple[AppTry, ...], say: Callable[[AppTry], str | None], bound: bool) -> dict[str, Any]:
        nominal = {t: ANSWERED if t.works or not bound else "refused" for t in tries}
        return {"results": [{"outcome": say(t) or nominal[t]} for t in tries]}

    return (
        answered(_BOUND, label_lease(_BOUND), 0.5, {"address": "10.20.10.100"}),
        answered(_FREE, label_lease(_FREE), 0.5, {"address": "10.20.30.100"}),
        answered(INTERNET_NODE, FORGET, 0.7, {"seen": [], "alive": True}),
        answered(
            _BOUND, label_tries(_BOUND), 1.0, results(list_client_tries(_PLAN, _PLAN.branch.segments[0]), change, True)
        ),
        answered(INTERNET_NODE, SEEN, 1.1, {"seen": list(seen), "alive": alive}),
        answered(
            INTERNET_NODE,
            label_tries(INTERNET_NODE),
            2.0,
            results(list_controls(_PLAN, INTERNET_NODE), own, False),
        ),
        answered(_FREE, label_tries(_FREE), 2.0, results(list_controls(_PLAN, _FREE), free, False)),
    )


def _when(words: str, outcome: str = ANSWERED) -> Callable[[AppTry], str | None]:
    """Return who says an outcome of the tries with these words in their text."""
    return lambda one: outcome if words in one.text else None


_DEAD = _when("", "silent")

EXAMPLES = (
    Example("all as it should be", "PASS", _play(), _PLAN),
    Example("an allowed application does not work", "FAIL", _play(_when("tickets (", "silent")), _PLAN),
    Example("a cut ClientHello is held up", "FAIL", _play(_when("443), ClientHello cut into seg", "silent")), _PLAN),
    Example("another name is let through", "FAIL", _play(_when("server by another name")), _PLAN),
    Example("no name is let through", "FAIL", _play(_when("without a server name")), _PLAN),
    Example("a cut other name is let through", "FAIL", _play(_when("another name, cut into records")), _PLAN),
    Example("another port is open", "FAIL", _play(_when("server at port 8443")), _PLAN),
    Example("QUIC is let through", "FAIL", _play(_when("QUIC")), _PLAN),
    Example("plain HTTP is let through", "FAIL", _play(_when("plain HTTP")), _PLAN),
    Example("a sub-domain is let through", "FAIL", _play(_when("by the name sub.")), _PLAN),
    Example("another server at an application's port", "FAIL", _play(_when("another server than weather")), _PLAN),
    Example(
        "the answer alone is stopped",
        "FAIL",
        _play(seen=({**_WHOLE, "server_name": "elsewhere.example"},)),
        _PLAN,
    ),
    Example("a request in clear arrives", "FAIL", _play(seen=({**_WHOLE, "kind": "http"},)), _PLAN),
    Example("the other segment is held back too", "FAIL", _play(free=_when("QUIC", "silent")), _PLAN),
    Example("no server is there: refusals prove nothing", "FAIL", _play(_DEAD, _DEAD, _DEAD), _PLAN),
    Example("the witness is away", "INCONCLUSIVE", _play(alive=False), _PLAN),
    Example("the witness sees nothing at all", "INCONCLUSIVE", _play(seen=()), _PLAN),
    Example("the probe has no word for some tries", "INCONCLUSIVE", _play(_when("QUIC", "?")), _PLAN),
    Example("a name is not resolved", "INCONCLUSIVE", _play(_when("elsewhere.example by TLS", "unresolved")), _PLAN),
    Example(
        "a client has no lease: what it cannot use proves nothing",
        "INCONCLUSIVE",
        (answered(_BOUND, label_lease(_BOUND), 0.5, None, "LeaseError: x"), *_play(_DEAD)[1:]),
        _PLAN,
    ),
    Example(
        "the probe breaks",
        "INCONCLUSIVE",
        (*_play()[:3], answered(_BOUND, label_tries(_BOUND), 1.0, None, "OSError: x")),
        _PLAN,
    ),
    Example("the profile has no such firewall", "NOT_APPLICABLE", (), build_plan(applications=None)),
)
