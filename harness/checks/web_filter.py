"""web_filter: filtered clients are not given blocked names, by the router or by anybody else, and others are.

A blocked name must be there where nobody filters (the internet itself says so), and what looks like one must be given
out by the same resolver: so that "blocked" is neither "unknown" nor "out of order". Not here: the questions
(_web_questions.py).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from emulators.common.controls import WebFilter
from harness.checks._shared import ask_after_lease, find_router_address, list_clients
from harness.checks._vantages import INTERNET_NODE, find_screen, is_open
from harness.checks._web_questions import (
    Question,
    Result,
    ask_blocked,
    ask_control,
    ask_firsts,
    ask_look_alikes,
    ask_others,
    list_firsts,
)
from harness.checks._web_spoils import spoils
from harness.core.entries import Answer, Check, Evidence, Example, as_list, find_broken, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan
from harness.core.sections import Segment
from harness.core.web_names import OTHER_RESOLVERS

NAME = "web_filter"
NAMES_S, OTHERS_S, WAY_S = 4.0, 1.5, 3.0
"""What must be answered has the time of several tries over a lossy uplink; what must not, of two or three."""
WEB_PORT = 80  # RFC 9110 section 4.2.1: the bench's internet answers there on each of its addresses
CONTROL, GIVEN = f"{NAME}.control", "an address"


def why_not(plan: Plan) -> str | None:
    control = plan.branch.web_filter
    if control is None:
        return "the profile sets no web filter"
    return None if list_filtered(plan) else "no filtered segment has a client"


def list_filtered(plan: Plan) -> tuple[tuple[str, Segment], ...]:
    """Return each filtered segment that has a client, with it."""
    control = plan.branch.web_filter
    return tuple((c, s) for c, s in list_clients(plan) if control is not None and s.name in control.segments)


def list_unfiltered(plan: Plan) -> tuple[tuple[str, Segment], ...]:
    """Return each other segment that has a client, with it."""
    filtered = list_filtered(plan)
    return tuple(pair for pair in list_clients(plan) if pair not in filtered)


# ---------------------------------------------------------------- asking


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    control = plan.branch.web_filter
    if control is None:
        return ()
    due = [_ask(INTERNET_NODE, ask_control(control), CONTROL, NAMES_S)]
    for client, segment in list_filtered(plan):
        way = {"target": OTHER_RESOLVERS[0], "port": WEB_PORT, "timeout_s": WAY_S}
        asks = (
            _ask(client, _list_names(control, segment), _label("names", segment), NAMES_S),
            _ask(client, ask_others(plan, control, segment), _label("others", segment), OTHERS_S),
            Ask(client, "open_tcp", way, _label("way", segment)),
        )
        due += ask_after_lease(evidence, client, asks)
    for client, segment in list_unfiltered(plan):
        questions = ask_firsts(control, find_router_address(segment))
        due += ask_after_lease(evidence, client, (_ask(client, questions, _label("names", segment), NAMES_S),))
    return tuple(due)


def _list_names(control: WebFilter, segment: Segment) -> tuple[Question, ...]:
    server = find_router_address(segment)
    return (*ask_blocked(control, server), *ask_look_alikes(control, server))


def _label(word: str, segment: Segment) -> str:
    return f"{NAME}.{word}.{segment.name}"


def _ask(node: str, questions: Sequence[Question], label: str, timeout_s: float) -> Ask:
    return Ask(node, "ask_names", {"questions": [dict(q.args) for q in questions], "timeout_s": timeout_s}, label)


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    control = plan.branch.web_filter
    if control is None:
        return ()
    asked = ask_control(control)
    there = judge_batch(evidence, CONTROL, asked, "the names are there, and others would answer", GIVEN, None)
    is_sound = there.outcome == "PASS"
    found = [there if is_sound else replace(there, outcome="INCONCLUSIVE")]
    for _, segment in list_filtered(plan):
        mine = _judge_filtered(plan, control, evidence, segment)
        found += mine if is_sound else [_doubt(f, "but the control does not hold") for f in mine]
    for _, segment in list_unfiltered(plan):
        claim = f"clients of {segment.name}, who are not filtered, are given the names"
        firsts = ask_firsts(control, find_router_address(segment))
        finding = judge_batch(evidence, _label("names", segment), firsts, claim, GIVEN, None)
        found.append(finding if is_sound else _doubt(finding, "but the control does not hold"))
    return tuple(found)


def _judge_filtered(plan: Plan, control: WebFilter, evidence: Evidence, segment: Segment) -> list[Finding]:
    server = find_router_address(segment)
    blocked, alike = ask_blocked(control, server), ask_look_alikes(control, server)
    whole, names, others = len(blocked) + len(alike), _label("names", segment), ask_others(plan, control, segment)
    claims = (
        f"clients of {segment.name} are not given blocked names, whatever the spelling and the type of record",
        f"clients of {segment.name} are given names that only look like blocked ones",
        f"clients of {segment.name} get no answer of another resolver",
    )
    denied = f"{control.answer} and no record"
    last = judge_batch(evidence, _label("others", segment), others, claims[2], "no answer", None)
    return [
        judge_batch(evidence, names, blocked, claims[0], denied, (0, whole)),
        judge_batch(evidence, names, alike, claims[1], GIVEN, (len(blocked), whole)),
        _with_way(plan, evidence, segment, last),
    ]


def _with_way(plan: Plan, evidence: Evidence, segment: Segment, finding: Finding) -> Finding:
    """No answer means something where the same host answers at another port; or where it is shut altogether."""
    way, screen = evidence.find_answer(_label("way", segment)), find_screen(plan, segment)
    service = f"tcp/{WEB_PORT}"
    wanted = is_open(segment, "internet", service) and (screen is None or service in screen)
    opened = way is not None and way.get("outcome") == "open"
    if finding.outcome != "PASS" or opened:
        return finding
    if wanted:
        return _doubt(finding, f"but nothing of {OTHER_RESOLVERS[0]} is reached at all")
    return replace(finding, seen=f"{finding.seen}; other rules shut the way to them too")


def _doubt(finding: Finding, why: str) -> Finding:
    """Silence and denial that cannot be trusted are none, nor is a lack of answers; what was given, was given."""
    is_doubtful = finding.outcome == "PASS" or finding.expected == GIVEN
    return replace(finding, outcome="INCONCLUSIVE", seen=f"{finding.seen}; {why}") if is_doubtful else finding


def judge_batch(  # noqa: PLR0917 - one claim, read left to right like a sentence
    evidence: Evidence,
    label: str,
    questions: Sequence[Question],
    claim: str,
    expected: str,
    part: tuple[int, int] | None,
) -> Finding:
    """Judge a batch, or the part of one: where it begins, and how many questions the whole has."""
    broken = find_broken(evidence, NAME, claim, expected, label)
    answer = evidence.find_answer(label)
    if broken is not None or answer is None:
        return broken or leave_open(NAME, claim, expected, "nothing")
    offset, count = part or (0, len(questions))
    results = _read_results(answer, count)
    if results is None:
        return leave_open(NAME, claim, expected, "the probe gave no answer to every question", [answer])
    mine = results[offset : offset + len(questions)]
    wrong = [f"{q.what}: {tell(r)}" for q, r in zip(questions, mine, strict=True) if not q.holds(r)]
    more = f"; and {len(wrong) - MOST_TOLD} more" if len(wrong) > MOST_TOLD else ""
    seen = "; ".join(wrong[:MOST_TOLD]) + more if wrong else f"all {len(questions)} as expected"
    return hold(NAME, not wrong, claim, expected, seen, [answer])


MOST_TOLD = 8


def tell(result: Result) -> str:
    """Return an answer in words."""
    if result.get("outcome") != "answered":
        return str(result.get("outcome"))
    return " ".join([str(result.get("rcode")), *map(str, as_list(result.get("records")))])


def _read_results(answer: Answer, count: int) -> list[dict[str, Any]] | None:
    results = as_list(answer.get("answers"))
    whole = len(results) == count and all(isinstance(result, dict) for result in results)
    return results if whole else None


CHECK = Check(
    name=NAME,
    order=70,
    title="Filtered clients are not given blocked names, by nobody",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=NAMES_S + 35.0,
    clauses=("NIST SP 800-53 AC-4", "NIST SP 800-53 SC-7"),
    spoils=spoils,
)

# ---------------------------------------------------------------- examples

_PLAN = build_plan()
_LEASES = (
    answered("client1", "lease.client1", 0.8, {"address": "10.20.10.100"}),
    answered("client2", "lease.client2", 0.8, {"address": "10.20.30.100"}),
)
_GIVEN: dict[str, Any] = {
    "outcome": "answered",
    "rcode": "NOERROR",
    "records": ["198.18.0.80"],
    "addresses": ["198.18.0.80"],
}
_DENIED: dict[str, Any] = {"outcome": "answered", "rcode": "NXDOMAIN", "records": [], "addresses": []}
_SILENT: dict[str, Any] = {"outcome": "silent", "rcode": None, "records": [], "addresses": []}
Say = Callable[[Question], dict[str, Any]]


def _right(question: Question) -> dict[str, Any]:
    """Answer as a router does that has everything right."""
    return next(dict(answer) for answer in (_GIVEN, _DENIED, _SILENT) if question.holds(answer))


def _but(result: dict[str, Any], **args: str) -> Say:
    """Answer rightly, but to questions with these arguments."""
    return lambda question: (
        result if all(question.args.get(key, "") == value for key, value in args.items()) else _right(question)
    )


def _seen(say: Say = _right, control: Say = _right, way: str = "open", free: Say = _right) -> tuple[Observation, ...]:
    web = _PLAN.branch.web_filter
    if web is None:
        return ()
    staff, guest = _PLAN.branch.segments
    batches = (
        (INTERNET_NODE, CONTROL, ask_control(web), control),
        ("client2", _label("names", guest), _list_names(web, guest), say),
        ("client2", _label("others", guest), ask_others(_PLAN, web, guest), say),
        ("client1", _label("names", staff), ask_firsts(web, find_router_address(staff)), free),
    )
    told = (answered(n, label, 1.0, {"answers": [tell_it(q) for q in asked]}) for n, label, asked, tell_it in batches)
    return (*_LEASES, *told, answered("client2", _label("way", guest), 1.0, {"outcome": way}))


_WEB = _PLAN.branch.web_filter
_FIRST = list_firsts(_WEB)[0] if _WEB else ""
_HIDDEN = _WEB.encrypted_resolvers[0] if _WEB else ""
EXAMPLES = (
    Example("blocked, and nothing else", "PASS", _seen()),
    Example("a blocked name is given", "FAIL", _seen(_but(_GIVEN, name=_FIRST, transport=""))),
    Example("its sub-domain is given", "FAIL", _seen(_but(_GIVEN, name=f"www.{_FIRST}"))),
    Example("it is given in capitals", "FAIL", _seen(_but(_GIVEN, name=_FIRST.upper()))),
    Example("another type of record is given", "FAIL", _seen(_but({**_GIVEN, "addresses": []}, type="HTTPS"))),
    Example("another answer than the profile's", "FAIL", _seen(_but({**_DENIED, "rcode": "REFUSED"}, name=_FIRST))),
    Example("no answer instead of a denial", "FAIL", _seen(_but(_SILENT, name=_FIRST))),
    Example("a name that looks like one is blocked", "FAIL", _seen(_but(_DENIED, name=f"x{_FIRST}"))),
    Example("another resolver answers by UDP", "FAIL", _seen(_but(_GIVEN, transport="udp", server=OTHER_RESOLVERS[0]))),
    Example("the router answers in another segment", "FAIL", _seen(_but(_GIVEN, transport="udp", server="10.20.10.1"))),
    Example("another resolver denies by TCP", "FAIL", _seen(_but(_DENIED, transport="tcp"))),
    Example("another resolver answers by TLS", "FAIL", _seen(_but(_GIVEN, transport="dot"))),
    Example("another resolver answers by HTTPS", "FAIL", _seen(_but(_GIVEN, transport="doh"))),
    Example("an encrypted resolver's name is given", "FAIL", _seen(_but(_GIVEN, name=_HIDDEN))),
    Example("who is not filtered is denied", "FAIL", _seen(free=lambda _: _DENIED)),
    Example("the names are nowhere", "INCONCLUSIVE", _seen(control=lambda _: _DENIED)),
    Example("the other resolver is down", "INCONCLUSIVE", _seen(control=_but(_SILENT, transport="dot"))),
    Example("nothing of the internet is reached", "INCONCLUSIVE", _seen(way="silent")),
    Example(
        "the probe says nothing of some",
        "INCONCLUSIVE",
        (
            *(o for o in _seen() if o.data["label"] != f"{NAME}.others.guest"),
            answered("client2", f"{NAME}.others.guest", 1.0, {"answers": []}),
        ),
    ),
    Example("the profile filters nothing", "NOT_APPLICABLE", (), build_plan(web_filter=None)),
)
