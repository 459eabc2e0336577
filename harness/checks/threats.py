"""threats: what the detection is set on is told with its true source, and dropped where the profile says so.

A client of each watched segment fetches bodies with a published test pattern from another place, and submits some
there, whole and cut into small segments; each has a clean twin of the same size, all but one octet the same, which must
pass and raise nothing: it proves that the way is open. A scan of ports is made too. The device says what it found on
its console; HQ's log server is the witness from outside, the other place says what came whole. Runs alone, so that
nobody else's doings are told.

What is encrypted cannot be looked into, and is not claimed to be. Clauses of NIST SP 800-53 are from memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from emulators.common.controls import Signature, Threats
from emulators.common.log_events import THREAT_DETECTED
from harness.checks._disturb import ROUTER
from harness.checks._logs import message
from harness.checks._shared import HQ
from harness.checks._threat_tries import (
    FETCH,
    NAME,
    PIECES,
    PORT_SCAN,
    SUBMIT,
    Body,
    Told,
    act,
    find_last_told,
    find_message,
    get_threats,
    is_witnessed,
    label_bodies,
    label_forget,
    label_scan,
    label_seen,
    list_bodies,
    list_events,
    list_expected,
    list_spoils,
    list_used,
    read_told,
    scans,
)
from harness.checks._vantages import find_lease
from harness.core.entries import (
    Answer,
    Check,
    Evidence,
    Example,
    Seen,
    as_list,
    find_broken,
    hold,
    leave_open,
    set_aside,
)
from harness.core.model import Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.threat_ways import Way
from harness.stages._shared import label_lease


def why_not(plan: Plan) -> str | None:
    if plan.branch.threats is None:
        return "the profile sets no detection of threats"
    return None if list_used(plan) else "no watched segment with a client may exchange bytes in clear with any place"


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    findings: list[Finding] = []
    for way, client in list_used(plan):
        if list_bodies(plan):
            findings += _judge_bodies(plan, way, client, evidence)
        if scans(plan):
            broken = find_broken(evidence, NAME, f"{client} scans ports", "an answer of the probe", label_scan(client))
            findings += [broken] if broken is not None else []
    findings += _judge_told(plan, evidence)
    used = {way.segment.name for way, _ in list_used(plan)}
    for name in [name for name in get_threats(plan).segments if name not in used]:
        reason = "its clients may exchange nothing in clear with any place, or it has no client here"
        findings.append(set_aside(NAME, f"what {name} exchanges is looked through", reason))
    return tuple(findings)


def _judge_bodies(plan: Plan, way: Way, client: str, evidence: Evidence) -> Iterator[Finding]:
    who, bodies = f"{way.segment.name} ({client})", list_bodies(plan)
    claim, expected = f"{who} exchanges test bodies with {way.node}", "an answer to each"
    if find_lease(evidence, client) is None:  # which is for others to judge
        yield leave_open(NAME, claim, expected, f"{client} has no lease")
        return
    broken = find_broken(evidence, NAME, claim, expected, label_bodies(client))
    answer, witness = evidence.find_answer(label_bodies(client)), evidence.find_answer(label_seen(way.node))
    results = [one for one in as_list(answer.get("results")) if isinstance(one, Mapping)] if answer else []
    if broken is not None or len(results) != len(bodies) or witness is None or witness.get("alive") is not True:
        yield broken or leave_open(NAME, claim, expected, f"{len(results)} answers to {len(bodies)}", [answer, witness])
        return
    pairs = list(zip(bodies, results, strict=True))
    for signature in dict.fromkeys(body.signature for body in bodies):
        for direction in (FETCH, SUBMIT):
            mine = [(b, r) for b, r in pairs if (b.signature, b.way) == (signature, direction)]
            came = _count_whole(witness, client, signature, direction)
            yield from _judge_pair(plan, who, (signature, direction), mine, came, [answer, witness])


def _count_whole(witness: Answer, client: str, signature: str, direction: str) -> dict[bool, int]:
    """Return how many bodies came whole to the other place, dirty (False) and clean (True)."""
    seen = [one for one in as_list(witness.get("seen")) if isinstance(one, Mapping)]
    word = "take" if direction == SUBMIT else "give"
    mine = [o for o in seen if o.get("way") == word and o.get("signature") == signature and o.get("who") == client]
    return {clean: sum(o.get("whole") is True and o.get("clean") is clean for o in mine) for clean in (False, True)}


def _judge_pair(  # noqa: PLR0917 - all of one signature one way
    plan: Plan,
    who: str,
    what: tuple[str, str],
    mine: list[tuple[Body, Mapping[str, Any]]],
    came: dict[bool, int],
    evidence: list[Answer | None],
) -> Iterator[Finding]:
    signature, direction = what
    submits, each = direction == SUBMIT, len(PIECES)
    verb = "sends" if submits else "fetches"
    whole = {c: sum(r.get("outcome") == "whole" for b, r in mine if b.clean is c) for c in (False, True)}
    told = {c: f"{whole[c]} of {each} whole" + (f", {came[c]} arrived" if submits else "") for c in (False, True)}
    passes = whole[True] == each and (not submits or came[True] == each)
    claim = f"what {who} {verb} passes if it only looks like {signature}"
    yield hold(NAME, passes, claim, f"{each} of {each} whole", told[True], evidence)
    if get_threats(plan).action == "alert":
        holds = whole[False] == each and (not submits or came[False] == each)
        claim = f"{signature} that {who} {verb} is let pass, as the profile says"
        yield hold(NAME, holds, claim, f"{each} of {each} whole", told[False], evidence)
        return
    claim, expected = f"{signature} that {who} {verb} does not arrive whole", f"0 of {each} whole"
    if not passes:
        yield leave_open(NAME, claim, expected, "the clean twin did not arrive either", evidence)
        return
    yield hold(NAME, not whole[False] and not (submits and came[False]), claim, expected, told[False], evidence)


def _judge_told(plan: Plan, evidence: Evidence) -> Iterator[Finding]:
    expected, events = list_expected(plan, evidence), list_events(plan, evidence)
    seen = Counter(read_told(event) for event in events)
    for told, count in expected.items():
        signature, source, destination = told
        many = signature == PORT_SCAN
        claim = f"{signature} from {source} to {destination} is told"
        wanted, holds = f"{count} times", seen[told] == count
        if many:
            wanted, holds = "once or more", seen[told] >= 1
        yield hold(NAME, holds, claim, wanted, f"{seen[told]} times", list_events(plan, evidence, told))
        if is_witnessed(plan):
            found = find_message(plan, evidence, told)
            text = f"{signature} from {source} to {destination} is in HQ's log"
            yield hold(NAME, found is not None, text, f"a message {THREAT_DETECTED}", _text(found), [found])
    others = [event for event in events if read_told(event) not in expected]
    text = "; ".join(" ".join(read_told(event)) for event in others[:3])
    yield hold(NAME, not others, "nothing else is told", "nothing", text or "nothing", others[:3])


def _text(found: Seen | None) -> str:
    return "none" if found is None else str(found.data.get("text"))


# ---------------------------------------------------------------- the entry


CHECK = Check(
    name=NAME,
    order=140,
    title="Threats are told with their true source, and dropped where the profile says so",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=12.0,
    awaits=find_last_told,
    disturbs=True,
    clauses=(
        "PCI DSS 4.0.1 11.5.1",
        "45 CFR 164.312(b)",
        "NIST SP 800-53 SI-4",
        "NIST SP 800-53 AU-2",
    ),
    spoils=list_spoils,
)

_ALERT = Threats(("staff",), ("test-file", "root-answer", "port-scan"), "alert")
_DROP = replace(_ALERT, action="drop")
_OWN = "10.20.10.100"


def _build_plan(threats: Threats) -> Plan:
    return build_plan(threats=threats)


def _play(
    threats: Threats = _DROP,
    *,
    whole: Callable[[Body], bool] | None = None,
    arrives: bool | None = None,
    skip: Callable[[Told], bool] = lambda told: False,
    extra: tuple[Told, ...] = (),
    logged: bool = True,
) -> tuple[Observation, ...]:
    """Return a run as it should be, but for: which bodies are `whole` to the client, whether dirty ones came whole to
    the other place (`arrives`), what is not told (`skip`), what is told besides, whether the log server hears of it."""
    plan = _build_plan(threats)
    passes = threats.action == "alert"
    is_whole = whole or (lambda body: body.clean or passes)
    bodies = list_bodies(plan)
    came = [
        {"who": "client1", "way": "take", "signature": b.signature, "clean": b.clean}
        | {"whole": b.clean or (passes if arrives is None else arrives)}
        for b in bodies
        if b.way == SUBMIT
    ]
    results = [{"outcome": "whole" if is_whole(body) else "silent"} for body in bodies]
    hq = plan.branch.acceptance.ping_target
    told: list[Told] = []
    for signature in threats.signatures:
        both = ((signature, hq, _OWN), (signature, _OWN, hq))
        told += [(signature, _OWN, hq)] if signature == PORT_SCAN else [one for one in both for _ in PIECES]
    told = [one for one in (*told, *extra) if not skip(one)]
    events = [
        saw(f"{ROUTER}/runtime", "threat.detected", 1.5 + n / 100, signature=s, source=a, destination=b, action="x")
        for n, (s, a, b) in enumerate(told)
    ]
    log = [
        message(1.6 + n / 100, n + 3, "warning", f"threat {s} from {a} to {b}: dropped", THREAT_DETECTED)
        for n, (s, a, b) in enumerate(told if logged else [])
    ]
    return (
        answered("client1", label_lease("client1"), 0.5, {"address": _OWN}),
        answered(HQ, label_forget(HQ), 1.0, {"seen": [], "alive": True}),
        answered("client1", label_bodies("client1"), 3.0, {"results": results}),
        answered("client1", label_scan("client1"), 3.5, {"answers": {}, "asked": 60, "no_way": []}),
        answered(HQ, label_seen(HQ), 3.6, {"seen": came, "alive": True}),
        *events,
        *log,
    )


def _of(signature: Signature) -> Callable[[Told], bool]:
    return lambda told: told[0] == signature


_P, _A = _build_plan(_DROP), _build_plan(_ALERT)
_OTHER: Told = ("test-file", "10.20.10.101", "10.200.0.10")

EXAMPLES = (
    Example("told and dropped", "PASS", _play(), _P),
    Example("told and let pass", "PASS", _play(_ALERT), _A),
    Example("told, but not dropped", "FAIL", _play(whole=lambda body: True), _P),
    Example("a cut one is not dropped", "FAIL", _play(whole=lambda body: body.clean or body.piece > 0), _P),
    Example("dropped for the sender, but it arrived whole", "FAIL", _play(arrives=True), _P),
    Example("dropped, though the profile says alert", "FAIL", _play(_ALERT, whole=lambda body: body.clean), _A),
    Example("clean ones do not pass: the way is shut", "FAIL", _play(whole=lambda body: False), _P),
    Example("a signature is not told", "FAIL", _play(skip=_of("root-answer")), _P),
    Example("one direction is not told", "FAIL", _play(skip=lambda told: told[1] == _OWN), _P),
    Example("the scan is not told", "FAIL", _play(skip=_of("port-scan")), _P),
    Example("another source is named", "FAIL", _play(extra=(_OTHER,)), _P),
    Example("a clean one is told too", "FAIL", _play(extra=(("test-file", _OWN, "10.200.0.10"),)), _P),
    Example("headquarters hears nothing", "FAIL", _play(logged=False), _P),
    Example(
        "the probe breaks",
        "INCONCLUSIVE",
        (*_play()[:2], answered("client1", label_bodies("client1"), 3.0, None, "KeyError: x"), *_play()[3:]),
        _P,
    ),
    Example(
        "a client has no lease",
        "INCONCLUSIVE",
        (
            answered("client1", label_lease("client1"), 0.5, None, "LeaseError: x"),
            *_play(whole=lambda body: False, skip=lambda told: True)[1:],
        ),
        _P,
    ),
    Example("the profile detects no threats", "NOT_APPLICABLE", (), build_plan(threats=None)),
)
